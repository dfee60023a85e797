package risk

import (
	"iter"
	"maps"
	"slices"

	"rollwarden/rules/event"
)

// Kinds of starts are few, so that all of them are laid out in one slice: by
// class, treatment, humidity band and cure band.

// axes list what a prior tells apart, with the unknown first.
type axes struct {
	classes    []event.Class
	treatments []string
}

// kind is a position on each axis; 0 is what is not known.
type kind struct{ class, treatment, rh, cure int }

// noTreatment is the treatment of a start for which nothing was done.
const noTreatment = "none"

func newAxes(p Prior) axes {
	classes, treatments := maps.Clone(p.Bare), maps.Clone(p.Factor)
	delete(classes, event.Unknown)
	delete(treatments, noTreatment)
	return axes{
		classes:    append([]event.Class{event.Unknown}, slices.Sorted(maps.Keys(classes))...),
		treatments: append([]string{"", noTreatment}, slices.Sorted(maps.Keys(treatments))...),
	}
}

// The number of humidity and of cure bands, unknown included.
const (
	rhCount   = 4
	cureCount = 4
)

func rhBands() [rhCount]Band     { return [...]Band{UnknownBand, Dry, Usual, Humid} }
func cureBands() [cureCount]Band { return [...]Band{UnknownBand, Cool, Warm, Hot} }

func (a *axes) size() int {
	return len(a.classes) * len(a.treatments) * rhCount * cureCount
}

// kind places a start; what the prior does not know is not known.
func (a *axes) kind(class event.Class, treatment string, rh, cure Band) kind {
	rhs, cures := rhBands(), cureBands()
	return kind{
		max(0, slices.Index(a.classes, class)), max(0, slices.Index(a.treatments, treatment)),
		max(0, slices.Index(rhs[:], rh)), max(0, slices.Index(cures[:], cure)),
	}
}

func (k kind) index(a *axes) int {
	return ((k.class*len(a.treatments)+k.treatment)*rhCount+k.rh)*cureCount + k.cure
}

func (k kind) unknowns() int {
	n := 0
	for _, i := range [...]int{k.class, k.treatment, k.rh, k.cure} {
		if i == 0 {
			n++
		}
	}
	return n
}

// kinds yields every kind of start, in the order of their indices.
func (a *axes) kinds() iter.Seq[kind] {
	return func(yield func(kind) bool) {
		per := [...]int{len(a.treatments) * rhCount * cureCount, rhCount * cureCount, cureCount}
		for i := range a.size() {
			k := kind{i / per[0], i % per[0] / per[1], i % per[1] / per[2], i % per[2]}
			if !yield(k) {
				return
			}
		}
	}
}

// byUnknowns lists the kinds with something unknown, the fewest first.
func (a *axes) byUnknowns() []kind {
	var list []kind
	for k := range a.kinds() {
		if k.unknowns() > 0 {
			list = append(list, k)
		}
	}
	slices.SortStableFunc(list, func(x, y kind) int { return x.unknowns() - y.unknowns() })
	return list
}

// oneMoreKnown yields what a start may turn out to be once one more thing
// about it is known. The worst that a treatment can be is none.
func (a *axes) oneMoreKnown(k kind) iter.Seq[kind] {
	return func(yield func(kind) bool) {
		for class := 1; k.class == 0 && class < len(a.classes); class++ {
			if !yield(kind{class, k.treatment, k.rh, k.cure}) {
				return
			}
		}
		if k.treatment == 0 && !yield(kind{k.class, 1, k.rh, k.cure}) {
			return
		}
		for rh := 1; k.rh == 0 && rh < rhCount; rh++ {
			if !yield(kind{k.class, k.treatment, rh, k.cure}) {
				return
			}
		}
		for cure := 1; k.cure == 0 && cure < cureCount; cure++ {
			if !yield(kind{k.class, k.treatment, k.rh, cure}) {
				return
			}
		}
	}
}
