package rules

import (
	"rollwarden/rules/alarm"
	"rollwarden/rules/floor"
)

// Merge shows the views of several journals, no two of them with the same site
// in, as one floor. Of none there is no view, and of one it is that view.
//
// Counts and totals are added up. What each journal has taught is not mixed: a
// Reader that is to judge as the watch of a site does asks Of for its view. The
// sequences of different journals say nothing to each other: their sum only
// grows as long as the journals stay the same ones.
func Merge(views ...*View) *View {
	switch len(views) {
	case 0:
		return nil
	case 1:
		return views[0]
	}
	all := &View{sites: map[string]*View{}}
	floors, books := make([]*floor.State, len(views)), make([]*alarm.Book, len(views))
	for i, v := range views {
		all.Seq += v.Seq
		if v.At.After(all.At) {
			all.At = v.At
		}
		floors[i], books[i] = v.Floor, v.Alarms
		for _, m := range v.Floor.Machines {
			all.sites[m.Site] = v
		}
	}
	all.Floor, all.Alarms = floor.Merge(floors...), alarm.Merge(books...)
	return all
}

// Of is the view of the journal that a site is in.
func (v *View) Of(site string) *View {
	if own, ok := v.sites[site]; ok {
		return own
	}
	return v
}
