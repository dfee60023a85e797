package ticket

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// xjdfTicket is an XJDF document while it is read.
type xjdfTicket struct {
	r        *reader
	root     *node
	types    []string
	printing map[int]bool // indices of printing processes in types
	sets     []resourceSet
}

// resourceSet is one ResourceSet with the processes it belongs to.
type resourceSet struct {
	*node
	index []int // nil when it names none and so belongs to all
}

func (r *reader) xjdf(root *node) (Document, error) {
	t := &xjdfTicket{r: r, root: root}
	doc := Document{Format: FormatXJDF}
	if blank(root.get("JobID")) {
		return doc, root.missing("JobID", "the id of the job")
	}
	if err := t.readTypes(); err != nil {
		return doc, err
	}
	if err := t.readSets(); err != nil {
		return doc, err
	}
	devices := t.devices()
	signals, err := r.audits(root, devices, &doc)
	if err != nil {
		return doc, err
	}
	if len(signals) > 0 {
		doc.Signals = signals
		doc.note("%s %s comes back with audits of its run: they were read as signals, and no ticket was made of it", root.get("JobID"), root.get("JobPartID"))
		return doc, nil
	}
	return doc, t.plan(&doc, devices)
}

// readTypes finds the printing processes among those of the ticket.
func (t *xjdfTicket) readTypes() error {
	types, ok := t.root.lookup("Types")
	if !ok {
		return t.root.missing("Types", "the processes of the job, in order")
	}
	t.types, t.printing = strings.Fields(types), map[int]bool{}
	for i, p := range t.types {
		if isPrinting(p) {
			t.printing[i] = true
		}
	}
	return nil
}

func (t *xjdfTicket) readSets() error {
	for _, n := range t.root.children("ResourceSet") {
		index, err := processIndex(n, len(t.types))
		if err != nil {
			return err
		}
		t.sets = append(t.sets, resourceSet{n, index})
	}
	return nil
}

// processIndex reads CombinedProcessIndex, which counts from 0.
func processIndex(n *node, processes int) ([]int, error) {
	text, ok := n.lookup("CombinedProcessIndex")
	if !ok {
		return nil, nil
	}
	index := []int{}
	for _, word := range strings.Fields(text) {
		i, err := strconv.Atoi(word)
		if err != nil || i < 0 || i >= processes {
			return nil, n.bad("CombinedProcessIndex", fmt.Sprintf("indices from 0 to %d into Types", processes-1))
		}
		index = append(index, i)
	}
	return index, nil
}

// meets reports whether one of the indices is in the set. Without indices the
// set belongs to every process.
func meets(index []int, processes map[int]bool) bool {
	for _, i := range index {
		if processes[i] {
			return true
		}
	}
	return index == nil
}

// printed returns the sets with one name that belong to the printing process.
// Those that say so by index go before those that belong to every process.
func (t *xjdfTicket) printed(name string) []resourceSet {
	var explicit, general []resourceSet
	for _, s := range t.sets {
		if s.get("Name") != name || !meets(s.index, t.printing) {
			continue
		}
		if s.index != nil {
			explicit = append(explicit, s)
		} else {
			general = append(general, s)
		}
	}
	if len(explicit) > 0 {
		return explicit
	}
	return general
}

func (t *xjdfTicket) devices() []string {
	var ids []string
	for _, s := range t.printed("Device") {
		for _, d := range s.find("Device") {
			ids = addDevice(ids, d.get("DeviceID"))
		}
	}
	return ids
}

// MaxDevices is how many printing devices of a ticket are looked at. No shop
// has more to choose from.
const MaxDevices = 100

func addDevice(ids []string, id string) []string {
	if id == "" || len(ids) == MaxDevices || slices.Contains(ids, id) {
		return ids
	}
	return append(ids, id)
}

// plan makes the ticket of a document that has not run yet.
func (t *xjdfTicket) plan(doc *Document, devices []string) error {
	if len(t.printing) == 0 {
		return t.root.fault("Types", unsupported, "a printing process such as DigitalPrinting among the processes", quote(t.root.get("Types")))
	}
	for _, n := range t.infos("NodeInfo") {
		if status := n[0].get("Status"); returned(status) {
			doc.note("%s %s has the status %s, so no ticket was made of it", t.root.get("JobID"), t.root.get("JobPartID"), status)
			return nil
		}
	}
	ticket, err := t.draft(devices)
	if err == nil {
		doc.Tickets = []Ticket{ticket}
	}
	return err
}

func (t *xjdfTicket) draft(devices []string) (Ticket, error) {
	d := t.r.newDraft(FormatXJDF)
	d.Job, d.Part, d.Title = t.root.get("JobID"), t.root.get("JobPartID"), t.root.get("DescriptiveName")
	for member, name := range map[string]string{"job": "JobID", "part": "JobPartID", "title": "DescriptiveName"} {
		d.from[member] = reading{at: t.root, name: name}
	}
	films := t.films()
	if err := d.fromKeys(t.scopes(films)); err != nil {
		return Ticket{}, err
	}
	if err := d.takeFilm(films); err != nil {
		return Ticket{}, err
	}
	d.takeIntent(t.intentWords())
	infos := t.infos("NodeInfo")
	if err := d.takeNodeInfo(infos, infos); err != nil {
		return Ticket{}, err
	}
	if err := d.takeFinishStart(t.finishingInfos()); err != nil {
		return Ticket{}, err
	}
	if err := d.takeCopies([]copies{d.gangCopies(infos), t.products(), t.components()}); err != nil {
		return Ticket{}, err
	}
	d.ContourCut = hasType(t.types, "ShapeCutting") || contourCut(t.root)
	d.Laminate = hasType(t.types, "Laminating") || laminated(t.root)
	return d.finish(devices)
}

// films returns every Media that the printing process prints on.
func (t *xjdfTicket) films() []film {
	var films []film
	for _, s := range t.printed("Media") {
		if s.get("Usage") == "Output" {
			continue
		}
		for _, res := range s.children("Resource") {
			m := res.child("Media")
			if m.own && isFilm(view{m}, s.get("ProcessUsage")) {
				films = append(films, xjdfFilm(s, res, m))
			}
		}
	}
	return films
}

func xjdfFilm(s resourceSet, res, media *node) film {
	f := film{view: view{media, res}, stock: res.get("ExternalID"), unit: s.get("Unit")}
	f.lots = lotsOf(f.lots, res)
	for _, pool := range res.children("AmountPool") {
		for _, pa := range pool.children("PartAmount") {
			if _, ok := pa.lookup("Amount"); ok {
				f.planned = append(f.planned, reading{text: pa.get("Amount"), at: pa, name: "Amount"})
			}
			if _, ok := pa.lookup("Waste"); ok {
				f.waste = append(f.waste, reading{text: pa.get("Waste"), at: pa, name: "Waste"})
			}
			f.lots = lotsOf(f.lots, pa)
		}
	}
	return f
}

// lotsOf adds the lots that the parts of an element name.
func lotsOf(lots []string, n *node) []string {
	for _, p := range n.children("Part") {
		if lot := p.get("LotID"); lot != "" {
			lots = append(lots, lot)
		}
	}
	return lots
}

// infos returns the resources with one name of the printing process.
func (t *xjdfTicket) infos(name string) []view { return elements(t.printed(name), name) }

func elements(sets []resourceSet, name string) []view {
	var out []view
	for _, s := range sets {
		for _, res := range s.children("Resource") {
			for _, n := range res.children(name) {
				out = append(out, view{n})
			}
		}
	}
	return out
}

// finishingInfos returns the plans of the processes after printing, where
// they are told apart from it.
func (t *xjdfTicket) finishingInfos() []view {
	var sets []resourceSet
	for _, s := range t.sets {
		if s.get("Name") == "NodeInfo" && s.index != nil && !meets(s.index, t.printing) && t.finishes(s.index) {
			sets = append(sets, s)
		}
	}
	return elements(sets, "NodeInfo")
}

func (t *xjdfTicket) finishes(index []int) bool {
	for _, i := range index {
		if isFinishing(t.types[i]) {
			return true
		}
	}
	return false
}

// products returns the amounts of the root products; where none is marked as
// a root, all count.
func (t *xjdfTicket) products() copies {
	c, all := copies{what: "the product list"}, copies{what: "the product list"}
	for _, p := range t.root.child("ProductList").children("Product") {
		if _, ok := p.lookup("Amount"); !ok {
			continue
		}
		amount := reading{text: p.get("Amount"), at: p, name: "Amount"}
		all.amounts = append(all.amounts, amount)
		if p.get("IsRoot") == "true" || p.get("IsRoot") == "1" {
			c.amounts = append(c.amounts, amount)
		}
	}
	if len(c.amounts) > 0 {
		return c
	}
	return all
}

// components returns the amounts of what the job puts out.
func (t *xjdfTicket) components() copies {
	c := copies{what: "the output component"}
	for _, s := range t.sets {
		if unit := s.get("Unit"); s.get("Name") != "Component" || s.get("Usage") != "Output" || unit != "" && unit != "count" {
			continue
		}
		for _, pa := range s.find("PartAmount") {
			if _, ok := pa.lookup("Amount"); ok {
				c.amounts = append(c.amounts, reading{text: pa.get("Amount"), at: pa, name: "Amount"})
			}
		}
	}
	return c
}

func (t *xjdfTicket) intentWords() []string {
	var words []string
	for _, m := range t.root.child("ProductList").find("MediaIntent") {
		words = append(words, filmWords(view{m})...)
	}
	return words
}

// scopes says where the shop's own attributes may stand. Those of the
// printing process are not looked for on a laminate or on the cutter.
func (t *xjdfTicket) scopes(films []film) keyedScopes {
	s := keyedScopes{}
	s.printing.single, s.whole.single = []*node{t.root}, []*node{t.root}
	for _, k := range t.root.kids {
		if k.own && k.local == "AuditPool" {
			continue
		}
		s.whole.trees = append(s.whole.trees, k)
		if !k.own || k.local != "ResourceSet" {
			s.printing.trees = append(s.printing.trees, k)
		}
	}
	used := map[*node]bool{}
	for _, f := range films {
		used[f.view[0].parent.parent] = true
	}
	for _, set := range t.sets {
		if meets(set.index, t.printing) && (set.get("Name") != "Media" || used[set.node]) {
			s.printing.trees = append(s.printing.trees, set.node)
		}
	}
	return s
}
