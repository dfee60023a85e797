package ticket

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// view is a resource with what it inherits: the leaf of a partition first,
// then the elements around it. An XJDF resource is a view of one element.
type view []*node

// lookup returns an attribute from the nearest element that has it.
func (v view) lookup(local string) (reading, bool) {
	for _, n := range v {
		if s, ok := n.lookup(local); ok {
			return reading{text: s, at: n, name: local}, true
		}
	}
	return reading{}, false
}

func (v view) get(local string) string {
	f, _ := v.lookup(local)
	return f.text
}

// film is the material of the printing process, or one part of it.
type film struct {
	view
	stock   string
	unit    string
	planned []reading // amounts to use, in unit
	waste   []reading // amounts to lose beside them
	lots    []string
}

// isFilm reports whether a Media can be what is printed on. A laminate never
// is, whatever index it carries.
func isFilm(v view, processUsage string) bool {
	return v.get("MediaType") != "LaminatingFoil" && !strings.Contains(processUsage, "Laminat")
}

// takeFilm fills in what the ticket says about the film.
func (d *draft) takeFilm(films []film) error {
	if len(films) == 0 {
		d.flag("stock: the ticket names no film for its printing process")
		return nil
	}
	d.takeClass(films)
	if d.Stock == "" {
		d.Stock, _ = agree(d, "stock", each(films, func(f film) string { return f.stock }))
	}
	if lots := compact(films, func(f film) []string { return f.lots }); len(lots) > 0 {
		d.Lot, _ = agree(d, "lot", lots)
	}
	if err := d.takeWidth(films); err != nil {
		return err
	}
	if err := d.takeSame(films, "thickness_um", "Thickness"); err != nil {
		return err
	}
	return d.takeAmounts(films)
}

func each[T any](films []film, get func(film) T) []T {
	out := make([]T, len(films))
	for i, f := range films {
		out[i] = get(f)
	}
	return out
}

func compact(films []film, get func(film) []string) []string {
	var out []string
	for _, f := range films {
		out = append(out, get(f)...)
	}
	return out
}

// filmWords are the attributes that can say what class a film is of.
func filmWords(v view) []string {
	return []string{v.get("MediaQuality"), v.get("MediaTypeDetails"), v.get("Brand"), v.get("MediaType")}
}

func (d *draft) takeClass(films []film) {
	var words []string
	for _, f := range films {
		words = append(words, filmWords(f.view)...)
	}
	d.classFrom(words, "the film of the ticket")
}

// classFrom sets the class, unless the shop's key map already did; then it
// only says so when the film speaks against it.
func (d *draft) classFrom(words []string, what string) {
	v := d.r.words.classify(words)
	if d.FilmClass == "" {
		if v.class != "" {
			d.setClass(v, what)
		}
		return
	}
	if v.class != "" && !v.soft && v.class != d.FilmClass {
		d.flag("film_class: %s says %s, the shop's own attribute %s, which was taken", what, v.class, d.FilmClass)
	}
}

// takeWidth reads the width of the roll from the first number of Dimension,
// in points. The second is the length of the roll, which no plan uses up.
func (d *draft) takeWidth(films []film) error {
	var widths []float64
	var from reading
	for _, f := range films {
		at, ok := f.lookup("Dimension")
		if !ok {
			continue
		}
		pt, ok := firstOf(at.text)
		if !ok {
			return at.bad("two numbers, width and length in points")
		}
		if pt > 0 {
			widths, from = append(widths, roundedMM(pt)), at
		}
	}
	if mm, ok := agree(d, "roll_width_mm", widths); ok {
		d.set("roll_width_mm", mm, from)
	}
	return nil
}

// firstOf returns the first of a pair of numbers.
func firstOf(text string) (float64, bool) {
	pair := strings.Fields(text)
	if len(pair) != 2 {
		return 0, false
	}
	if _, ok := parseNumber(pair[1]); !ok {
		return 0, false
	}
	return parseNumber(pair[0])
}

func (d *draft) takeSame(films []film, member, attribute string) error {
	var values []float64
	var from reading
	for _, f := range films {
		at, ok := f.lookup(attribute)
		if !ok {
			continue
		}
		v, ok := parseNumber(at.text)
		if !ok {
			return at.bad("a number")
		}
		values, from = append(values, v), at
	}
	if v, ok := agree(d, member, values); ok {
		d.set(member, v, from)
	}
	return nil
}

// takeAmounts reads the planned amount into the length or the area, by its
// unit. One is never made out of the other.
func (d *draft) takeAmounts(films []film) error {
	total := map[string]float64{}
	var from reading
	for _, f := range films {
		for _, at := range f.planned {
			v, ok := parseNumber(at.text)
			if !ok {
				return at.bad("a number")
			}
			total[f.unit] += v
			from = at
		}
	}
	d.placeAmount(total, from)
	return d.flagWaste(films)
}

func (d *draft) placeAmount(total map[string]float64, from reading) {
	units := slices.Sorted(maps.Keys(total))
	switch {
	case len(units) == 0:
		d.flag("length_m: the ticket plans no amount of film")
	case len(units) > 1:
		d.flag("length_m: the ticket plans film in different units (%s), so no amount was taken", strings.Join(units, ", "))
	case units[0] == "m":
		d.set("length_m", total["m"], from)
	case units[0] == "m2":
		d.set("area_m2", total["m2"], from)
		d.flag("length_m: the ticket plans film by area only")
	case units[0] == "":
		d.flag("length_m: the planned amount %s has no Unit, so it was not taken", plain(total[""]))
	default:
		d.flag("length_m: the planned amount %s %s is neither metres nor square metres", plain(total[units[0]]), units[0])
	}
}

// flagWaste says so when waste is planned beside the amount, because the
// standards leave room to count it in or not.
func (d *draft) flagWaste(films []film) error {
	for _, f := range films {
		var sum float64
		for _, at := range f.waste {
			v, ok := parseNumber(at.text)
			if !ok {
				return at.bad("a number")
			}
			sum += v
		}
		if sum > 0 {
			d.flag("length_m: %s %s of waste is planned beside the amount and not counted in it", plain(sum), f.unit)
		}
	}
	return nil
}

func plain(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// takeIntent falls back on what the product asks for when the film itself
// names no class.
func (d *draft) takeIntent(words []string) {
	if d.FilmClass == "" {
		d.classFrom(words, "the media intent of the product")
	}
	if d.FilmClass == "" {
		d.setClass(verdict{}, "the ticket")
	}
}

// isPrinting reports whether a process lays ink on film.
func isPrinting(process string) bool {
	switch process {
	case "DigitalPrinting", "ConventionalPrinting", "IDPrinting":
		return true
	}
	return false
}

// isFinishing reports whether a process works on the printed film.
func isFinishing(process string) bool {
	switch process {
	case "Laminating", "ShapeCutting", "Cutting", "Trimming", "Creasing", "Varnishing":
		return true
	}
	return false
}

// hasType reports whether a list of processes has one.
func hasType(types []string, want string) bool { return slices.Contains(types, want) }

// contourCut reports whether elements of a ticket ask for a cut along a
// contour. Straight cuts into blocks do not count.
func contourCut(n *node) bool {
	for _, s := range n.find("Shape") {
		if s.get("CutPath") != "" {
			return true
		}
	}
	for _, c := range n.find("CuttingParams") {
		if len(c.find("FileSpec")) > 0 {
			return true
		}
	}
	for _, c := range n.find("Color") {
		if c.get("ColorType") == "DieLine" {
			return true
		}
	}
	return len(n.find("ShapeCuttingIntent")) > 0
}

func laminated(n *node) bool {
	return len(n.find("LaminatingParams")) > 0 || len(n.find("LaminatingIntent")) > 0
}

// takeNodeInfo reads plan and urgency from the NodeInfo of the printing
// process. start holds those that may tell when printing starts; a due time
// can come from further up.
func (d *draft) takeNodeInfo(start, due []view) error {
	if d.StartAt == nil {
		if err := d.time(&d.StartAt, "start_at", lookups(start, "Start")); err != nil {
			return err
		}
	}
	if d.StartAt == nil {
		if err := d.time(&d.StartAt, "start_at", lookups(start, "FirstStart")); err != nil {
			return err
		}
		if d.StartAt != nil {
			d.flag("start_at: the ticket only says when printing may start at the earliest")
		}
	}
	for _, name := range []string{"LastEnd", "End"} {
		if d.Due != nil {
			break
		}
		if err := d.time(&d.Due, "due", lookups(due, name)); err != nil {
			return err
		}
	}
	return d.takePriority(due)
}

func (d *draft) takePriority(due []view) error {
	found := lookups(due, "JobPriority")
	if len(found) == 0 {
		return nil
	}
	if _, ok := agree(d, "priority", texts(found)); !ok {
		return nil
	}
	return d.number("priority", found[0])
}

// takeFinishStart reads when laminating or cutting is planned to start.
func (d *draft) takeFinishStart(finishing []view) error {
	if d.FinishAt != nil {
		return nil
	}
	return d.time(&d.FinishAt, "finish_at", lookups(finishing, "Start"))
}

func lookups(views []view, attribute string) []reading {
	var out []reading
	for _, v := range views {
		if f, ok := v.lookup(attribute); ok {
			out = append(out, f)
		}
	}
	return out
}

// copies is one place that says how many good copies are wanted.
type copies struct {
	what    string
	amounts []reading
}

// takeCopies takes the sum of the first place that says anything, and flags
// the ticket when another place gives a different sum.
func (d *draft) takeCopies(places []copies) error {
	var taken copies
	var sum float64
	for _, p := range places {
		if len(p.amounts) == 0 {
			continue
		}
		n, err := sumOf(p.amounts)
		if err != nil {
			return err
		}
		if taken.what == "" {
			taken, sum = p, n
			d.set("copies", n, p.amounts[0])
		} else if n != sum {
			d.flag("copies: %s says %s, %s says %s; the first was taken", taken.what, plain(sum), p.what, plain(n))
		}
	}
	return nil
}

func sumOf(amounts []reading) (float64, error) {
	var sum float64
	for _, a := range amounts {
		v, ok := parseNumber(a.text)
		if !ok {
			return 0, a.bad("a number")
		}
		sum += v
	}
	return sum, nil
}

// gangCopies reads the sources of a gang, notes them on the ticket, and gives
// back their copies.
func (d *draft) gangCopies(infos []view) copies {
	c := copies{what: "the gang"}
	var sources []string
	for _, v := range infos {
		for _, n := range v {
			for _, g := range n.children("GangSource") {
				if _, ok := g.lookup("Copies"); ok {
					c.amounts = append(c.amounts, reading{text: g.get("Copies"), at: g, name: "Copies"})
				}
				sources = append(sources, fmt.Sprintf("%s (%s)", g.get("JobID"), g.get("Copies")))
			}
		}
	}
	d.flagGang(sources)
	return c
}

// flagGang names the jobs of a gang, as many as a person will read.
func (d *draft) flagGang(sources []string) {
	const most = 12
	if len(sources) == 0 {
		return
	}
	list := strings.Join(sources[:min(len(sources), most)], ", ")
	if more := len(sources) - most; more > 0 {
		list += fmt.Sprintf(" and %d more", more)
	}
	d.flag("copies: this is a gang of %s", list)
}

// returned reports whether a plan is over, so that it must not queue a run.
func returned(status string) bool { return status == "Completed" || status == "Aborted" }
