package ledger

import "rollwarden/rules/event"

// Grouped lists the types of all groups of the filter.
func Grouped() (all []event.Type) {
	for _, k := range kinds {
		all = append(all, k.Types...)
	}
	return all
}
