package ticket

import (
	"fmt"
	"slices"
	"strings"
)

// link is a ResourceLink with the resource that it points to.
type link struct {
	*node           // the link element
	name     string // of the resource
	resource *node  // the root of its partitions
	parts    []view // the partitions that the link selects
	index    []int  // nil when the link names no process
	printing map[int]bool
}

// links resolves the links of a node. A dangling link to something that no
// ticket needs is noted; one to something needed is an error.
func (t *jdfTicket) links(n *node) ([]link, error) {
	var out []link
	printing, count := t.printingIndex(n), len(t.types[n])
	for _, pool := range n.children("ResourceLinkPool") {
		for _, k := range pool.kids {
			if !k.own || !strings.HasSuffix(k.local, "Link") {
				continue
			}
			l, err := t.follow(n, k)
			if err != nil && !needed(l.name) {
				t.doc.note("%v", located(t.r.file, err))
				continue
			}
			if err != nil {
				return nil, err
			}
			if l.index, err = processIndex(k, count); err != nil {
				return nil, err
			}
			l.printing = printing
			out = append(out, l)
		}
	}
	return out, nil
}

// needed reports whether a ticket is not whole without a resource.
func needed(name string) bool {
	switch name {
	case "Media", "Device", "Component", "NodeInfo", "DigitalPrintingParams", "PrintCondition":
		return true
	}
	return false
}

// follow finds the resource of a link in the pool of its node or of a node
// around it, and the partitions that the link selects.
func (t *jdfTicket) follow(n, k *node) (link, error) {
	l := link{node: k, name: strings.TrimSuffix(k.local, "Link")}
	ref, ok := k.lookup("rRef")
	if !ok {
		return l, k.missing("rRef", "the ID of a resource")
	}
	res := t.ids[ref]
	if res == nil || res.local != l.name || !within(n, res.parent.parent) {
		return l, k.bad("rRef", "the ID of a "+l.name+" in the ResourcePool of this node or of one around it")
	}
	l.resource = res
	return l, t.selectParts(&l)
}

// within reports whether n is outer or lies in it.
func within(n, outer *node) bool {
	for ; n != nil; n = n.parent {
		if n == outer {
			return true
		}
	}
	return false
}

// maxParts bounds how many Part elements of one link are compared with each
// partition.
const maxParts = 1000

func (t *jdfTicket) selectParts(l *link) error {
	wanted := l.children("Part")
	if len(wanted) > maxParts {
		return l.fault("", tooLarge, fmt.Sprintf("at most %d Part elements", maxParts), fmt.Sprintf("%d", len(wanted)))
	}
	var visit func(n *node, above view) error
	visit = func(n *node, above view) error {
		if t.work += 1 + len(above) + len(wanted); t.work > 20*MaxTokens {
			return tooMany(t.work)
		}
		v := append(view{n}, above...)
		inner := n.children(n.local)
		for _, k := range inner {
			if err := visit(k, v); err != nil {
				return err
			}
		}
		if len(inner) == 0 && selected(v, wanted) {
			l.parts = append(l.parts, v)
		}
		return nil
	}
	return visit(l.resource, nil)
}

// selected reports whether a partition is among those wanted. A key that the
// partition does not have does not speak against it.
func selected(v view, wanted []*node) bool {
	if len(wanted) == 0 {
		return true
	}
	return slices.ContainsFunc(wanted, func(part *node) bool {
		for _, key := range part.attrs {
			if have, ok := v.lookup(key.local); ok && have.text != strings.TrimSpace(key.value) {
				return false
			}
		}
		return true
	})
}

// printed returns the links to one kind of resource that belong to the
// printing process; those that say so by index go before the others.
func printed(links []link, name string) []link {
	var explicit, general []link
	for _, l := range links {
		switch {
		case l.name != name || !meets(l.index, l.printing):
		case l.index != nil:
			explicit = append(explicit, l)
		default:
			general = append(general, l)
		}
	}
	if len(explicit) > 0 {
		return explicit
	}
	return general
}

// plan returns the planned amounts of a link. ActualAmount is never a plan,
// and an amount in another condition than Good is waste.
func (l link) plan() []reading {
	var out []reading
	for _, pa := range l.partAmounts() {
		condition := pa.child("Part").get("Condition")
		if _, ok := pa.lookup("Amount"); ok && (condition == "" || condition == "Good") {
			out = append(out, reading{text: pa.get("Amount"), at: pa, name: "Amount"})
		}
	}
	if _, ok := l.lookup("Amount"); ok && len(out) == 0 {
		out = append(out, reading{text: l.get("Amount"), at: l.node, name: "Amount"})
	}
	return out
}

// held returns the amounts that the selected parts of the resource carry
// themselves, or the one that they all inherit.
func (l link) held() []reading {
	var out []reading
	for _, v := range l.parts {
		if f, ok := v[:1].lookup("Amount"); ok {
			out = append(out, f)
		}
	}
	if len(out) == 0 && len(l.parts) > 0 {
		if f, ok := l.parts[0].lookup("Amount"); ok {
			out = append(out, f)
		}
	}
	return out
}

// partAmounts returns the amounts of the partitions that the link selects.
func (l link) partAmounts() []*node {
	var out []*node
	wanted := l.children("Part")
	for _, pool := range l.children("AmountPool") {
		for _, pa := range pool.children("PartAmount") {
			if selected(view{pa.child("Part")}, wanted) {
				out = append(out, pa)
			}
		}
	}
	return out
}

// noteActuals says that a ticket holds actual amounts without an audit that
// would date them.
func (l link) noteActuals(doc *Document) {
	for _, pa := range l.partAmounts() {
		if v, ok := pa.lookup("ActualAmount"); ok {
			doc.note("%s: an actual amount of %s (%s) has no audit that says when, and was not counted", pa.path("ActualAmount"), quote(v), quote(pa.child("Part").get("Condition")))
		}
	}
}
