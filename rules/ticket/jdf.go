package ticket

import (
	"fmt"
	"slices"
	"strings"
)

// jdfTicket is a JDF 1.x document while it is read: a tree of process nodes
// with resources that links point to by id.
type jdfTicket struct {
	r    *reader
	root *node
	ids  map[string]*node // resources by ID; their parent is the pool they are in
	doc  *Document
	work int // partitions visited, to bound the work on a hostile file

	types     map[*node][]string // processes of each JDF node, in order
	finishers map[*node][]*node  // nodes that finish prints, by the node around them

	contour, laminate bool // anywhere in the tree: the print is finished that way
}

func (r *reader) jdf(root *node) (Document, error) {
	doc := Document{Format: FormatJDF}
	t := &jdfTicket{r: r, root: root, ids: map[string]*node{}, doc: &doc, types: map[*node][]string{}, finishers: map[*node][]*node{}}
	if err := t.index(); err != nil {
		return doc, err
	}
	nodes := t.printingNodes(root)
	if len(nodes) == 0 {
		return doc, root.fault("Type", unsupported, "a printing process such as DigitalPrinting in the tree of nodes", quote(root.get("Type")+" "+root.get("Types")))
	}
	if len(nodes) > MaxTickets {
		return doc, &Error{Field: "JDF", Kind: tooLarge, Want: fmt.Sprintf("at most %d printing nodes", MaxTickets), Got: fmt.Sprintf("%d", len(nodes))}
	}
	p := r.newReport(&doc)
	for _, n := range nodes {
		if err := t.node(n, p); err != nil {
			return doc, err
		}
	}
	var err error
	if doc.Signals, err = p.done(); err != nil {
		return doc, err
	}
	return doc, distinct(doc.Tickets)
}

// MaxTickets is how many tickets one file may hold.
const MaxTickets = 200

// distinct refuses two tickets for one job part, of which the second would
// silently replace the first.
func distinct(tickets []Ticket) error {
	seen := map[jobPart]bool{}
	for _, t := range tickets {
		key := jobPart{t.Data.Job, t.Data.Part}
		if seen[key] {
			return &Error{Field: "JobPartID", Kind: badValue, Want: "a job part id of its own for every printing process", Got: quote(key.job+" "+key.part) + " twice"}
		}
		seen[key] = true
	}
	return nil
}

// index notes the resources of all pools and how the print will be finished.
func (t *jdfTicket) index() error {
	t.contour, t.laminate = contourCut(t.root), laminated(t.root)
	for _, n := range t.root.find("JDF") {
		t.indexNode(n)
		for _, pool := range n.children("ResourcePool") {
			if err := t.indexPool(pool); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *jdfTicket) indexNode(n *node) {
	types := processes(n)
	t.types[n] = types
	t.contour = t.contour || hasType(types, "ShapeCutting")
	t.laminate = t.laminate || hasType(types, "Laminating")
	if slices.ContainsFunc(types, isFinishing) && !slices.ContainsFunc(types, isPrinting) {
		t.finishers[n.parent] = append(t.finishers[n.parent], n)
	}
}

func (t *jdfTicket) indexPool(pool *node) error {
	for _, res := range pool.kids {
		id := res.get("ID")
		if !res.own || id == "" {
			continue
		}
		if t.ids[id] != nil {
			return res.bad("ID", "an ID that no other resource of the file has")
		}
		t.ids[id] = res
	}
	return nil
}

// processes lists the processes of a node, in order.
func processes(n *node) []string {
	switch n.get("Type") {
	case "Combined", "ProcessGroup":
		return strings.Fields(n.get("Types"))
	}
	return []string{n.get("Type")}
}

// printingNodes finds the nodes that print. A group whose parts print is
// described by its parts.
func (t *jdfTicket) printingNodes(n *node) []*node {
	var out []*node
	for _, k := range n.children("JDF") {
		out = append(out, t.printingNodes(k)...)
	}
	if len(out) == 0 && slices.ContainsFunc(t.types[n], isPrinting) {
		return []*node{n}
	}
	return out
}

// printingIndex returns the indices of the printing processes of a node.
func (t *jdfTicket) printingIndex(n *node) map[int]bool {
	index := map[int]bool{}
	for i, p := range t.types[n] {
		if isPrinting(p) {
			index[i] = true
		}
	}
	return index
}

// inherited returns an attribute of a node or of the nearest node around it.
func inherited(n *node, attribute string) reading {
	for ; n != nil; n = n.parent {
		if s := n.get(attribute); s != "" && n.local == "JDF" {
			return reading{text: s, at: n, name: attribute}
		}
	}
	return reading{}
}

// node reads one printing node as a ticket, or as signals if it has run.
func (t *jdfTicket) node(n *node, p *report) error {
	job, part := inherited(n, "JobID"), inherited(n, "JobPartID")
	if job.text == "" {
		return n.missing("JobID", "the id of the job, here or in a node around it")
	}
	links, err := t.links(n)
	if err != nil {
		return err
	}
	p.job = jobPart{job.text, part.text}
	ran, err := t.audits(n, links, p)
	if err != nil {
		return err
	}
	if ran {
		t.doc.note("%s %s comes back with audits of its run: they were read as signals, and no ticket was made of it", job.text, part.text)
		return nil
	}
	if status := n.get("Status"); returned(status) {
		t.doc.note("%s %s has the status %s, so no ticket was made of it", job.text, part.text, status)
		return nil
	}
	ticket, err := t.draft(n, links, job, part)
	if err == nil {
		t.doc.Tickets = append(t.doc.Tickets, ticket)
	}
	return err
}

func (t *jdfTicket) draft(n *node, links []link, job, part reading) (Ticket, error) {
	d := t.r.newDraft(FormatJDF)
	title := inherited(n, "DescriptiveName")
	d.Job, d.Part, d.Title = job.text, part.text, title.text
	d.from["job"], d.from["part"], d.from["title"] = job, part, title
	material := films(links, t.doc)
	if err := d.fromKeys(scopes(n, links)); err != nil {
		return Ticket{}, err
	}
	if err := d.takeFilm(material); err != nil {
		return Ticket{}, err
	}
	d.takeIntent(t.intentWords())
	infos, err := t.infos(n)
	if err != nil {
		return Ticket{}, err
	}
	if err := d.takeNodeInfo(infos[0], inheritedInfo(infos)); err != nil {
		return Ticket{}, err
	}
	finishing, err := t.finishingInfos(n)
	if err != nil {
		return Ticket{}, err
	}
	if err := d.takeFinishStart(finishing); err != nil {
		return Ticket{}, err
	}
	if err := d.takeCopies([]copies{d.gangCopies(infos[0]), outputs(links)}); err != nil {
		return Ticket{}, err
	}
	d.ContourCut, d.Laminate = t.contour, t.laminate
	return d.finish(devicesOf(links))
}

// films returns the parts of Media that the printing process prints on.
func films(links []link, doc *Document) []film {
	var out []film
	for _, l := range printed(links, "Media") {
		if l.get("Usage") == "Output" {
			continue
		}
		planned := l.plan()
		for _, v := range l.parts {
			if isFilm(v, l.get("ProcessUsage")) {
				part := film{view: v, stock: v.get("ProductID"), unit: v.get("Unit"), lots: lotsOfView(v)}
				part.planned, planned = planned, nil // the amount is of all parts together
				out = append(out, part)
			}
		}
		l.noteActuals(doc)
	}
	return out
}

func lotsOfView(v view) []string {
	var lots []string
	for _, n := range v {
		for _, lot := range n.children("Lot") {
			lots = append(lots, lot.get("LotID"))
		}
		if lot := n.get("LotID"); lot != "" {
			lots = append(lots, lot)
		}
	}
	return lots
}

func devicesOf(links []link) []string {
	var ids []string
	for _, l := range printed(links, "Device") {
		for _, v := range l.parts {
			ids = addDevice(ids, v.get("DeviceID"))
		}
	}
	return ids
}

// outputs returns the amounts of what the node puts out: planned on the link,
// else on the component itself.
func outputs(links []link) copies {
	c := copies{what: "the output component"}
	for _, l := range links {
		if l.name != "Component" || l.get("Usage") != "Output" {
			continue
		}
		amounts := l.plan()
		if len(amounts) == 0 {
			amounts = l.held()
		}
		c.amounts = append(c.amounts, amounts...)
	}
	return c
}

// infos returns the NodeInfo of a node, and of each node around it.
func (t *jdfTicket) infos(n *node) ([][]view, error) {
	var out [][]view
	for ; n != nil; n = n.parent {
		here, err := t.ownInfos(n)
		if err != nil {
			return nil, err
		}
		out = append(out, here)
	}
	return out, nil
}

// ownInfos returns the NodeInfo of one node: linked, or as a child, where JDF
// 1.2 and older had it.
func (t *jdfTicket) ownInfos(n *node) ([]view, error) {
	var out []view
	for _, k := range n.children("NodeInfo") {
		out = append(out, view{k})
	}
	for _, pool := range n.children("ResourceLinkPool") {
		for _, ln := range pool.children("NodeInfoLink") {
			l, err := t.follow(n, ln)
			if err != nil {
				return nil, err
			}
			out = append(out, l.parts...)
		}
	}
	return out, nil
}

// inheritedInfo returns the nearest NodeInfo that there is: what must be done
// by a time must have been printed by then.
func inheritedInfo(infos [][]view) []view {
	for _, here := range infos {
		if len(here) > 0 {
			return here
		}
	}
	return nil
}

// finishingInfos returns the plans of the nodes beside n that finish prints.
func (t *jdfTicket) finishingInfos(n *node) ([]view, error) {
	var out []view
	for _, k := range t.finishers[n.parent] {
		infos, err := t.ownInfos(k)
		if err != nil {
			return nil, err
		}
		out = append(out, infos...)
	}
	return out, nil
}

// intentWords reads what the product asks for. In an intent each property is
// an element with the value wanted.
func (t *jdfTicket) intentWords() []string {
	var words []string
	for _, m := range t.root.find("MediaIntent") {
		for _, name := range []string{"MediaQuality", "MediaTypeDetails", "StockBrand", "MediaType"} {
			span := m.child(name)
			words = append(words, span.get("Actual"), span.get("Preferred"))
		}
	}
	return words
}

// scopes says where the shop's own attributes may stand: on the node, on those
// around it, and on the parts of resources that its links select.
func scopes(n *node, links []link) keyedScopes {
	s := keyedScopes{}
	for up := n; up != nil; up = up.parent {
		s.whole.single = append(append(s.whole.single, up), up.children("GeneralID")...)
	}
	s.printing.single = slices.Clone(s.whole.single)
	for _, l := range links {
		s.whole.add(l)
		if meets(l.index, l.printing) && (l.name != "Media" || anyFilm(l)) {
			s.printing.add(l)
		}
	}
	return s
}

// add puts a link and what it selects in the scope: leaves whole, and of the
// elements around a leaf only what they say themselves.
func (s *scope) add(l link) {
	s.trees = append(s.trees, l.node)
	for _, v := range l.parts {
		s.trees = append(s.trees, v[0])
		s.single = append(s.single, v[1:]...)
	}
}

func anyFilm(l link) bool {
	for _, v := range l.parts {
		if isFilm(v, l.get("ProcessUsage")) {
			return true
		}
	}
	return false
}
