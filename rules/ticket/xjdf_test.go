package ticket_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

// media builds a ResourceSet with one Media.
func media(set, resource, element, amounts string) string {
	return fmt.Sprintf(`<ResourceSet Name="Media" Usage="Input" %s><Resource %s><AmountPool>%s</AmountPool><Media %s/></Resource></ResourceSet>`, set, resource, amounts, element)
}

const (
	laminate = `<ResourceSet Name="Media" ProcessUsage="Laminate" Unit="m" CombinedProcessIndex="1"><Resource ExternalID="LAM-1"><AmountPool><PartAmount Amount="99"/></AmountPool><Media MediaType="LaminatingFoil" MediaTypeDetails="Cast" Dimension="720 0" f:Cure="20"/></Resource></ResourceSet>`
	mono     = `MediaType="Vinyl" MediaTypeDetails="Monomeric" Dimension="3883.465 0"`
)

// TestFilmIsThatOfThePrintingProcess puts the film before and after other
// Media, with and without an index.
func TestFilmIsThatOfThePrintingProcess(t *testing.T) {
	film := media(`Unit="m" CombinedProcessIndex="0"`, `ExternalID="MONO-GLOSS-137"`, mono, `<PartAmount Amount="7"/>`)
	unbound := media(`Unit="m"`, `ExternalID="MONO-GLOSS-137"`, mono, `<PartAmount Amount="7"/>`)
	foil := strings.Replace(laminate, `CombinedProcessIndex="1"`, "", 1)
	plainFoil := strings.Replace(foil, `ProcessUsage="Laminate"`, "", 1)
	layers := strings.Replace(film, "/></Resource>", `><MediaLayers><Media MediaType="Paper" MediaTypeDetails="Cast" Thickness="3"/></MediaLayers></Media></Resource>`, 1)
	output := media(`Unit="m" Usage2=""`, `ExternalID="OTHER"`, mono, "")
	output = strings.Replace(output, `Usage="Input"`, `Usage="Output"`, 1)
	for name, inside := range map[string]string{
		"laminate first":               laminate + film,
		"film first":                   film + laminate,
		"film without index":           laminate + unbound,
		"foil without index":           foil + unbound,
		"foil without any word for it": plainFoil + unbound,
		"layers of the film":           laminate + layers,
		"media put out":                output + unbound,
		"index goes before none":       media(`Unit="m"`, `ExternalID="OTHER"`, `MediaTypeDetails="Cast"`, "") + film,
	} {
		d := one(t, xjdf("", inside), ticket.Options{}).Data
		if d.Stock != "MONO-GLOSS-137" || d.FilmClass != event.Monomeric || d.LengthM == nil || *d.LengthM != 7 || *d.RollWidthMM != 1370 {
			t.Errorf("%s: got %+v", name, d)
		}
	}
	d := one(t, xjdf("", laminate), ticket.Options{}).Data
	if d.Stock != "" || d.FilmClass != "" || d.LengthM != nil || d.RollWidthMM != nil || !d.Laminate {
		t.Errorf("laminate alone: got %+v", d)
	}
	hasFlag(t, d, "names no film")
}

func hasFlag(t *testing.T, d event.TicketReceived, says string) {
	t.Helper()
	if !strings.Contains(strings.Join(d.Flags, "\n"), says) {
		t.Errorf("want a flag that says %q, got %q", says, d.Flags)
	}
}

func TestAmountsKeepTheirUnit(t *testing.T) {
	value := func(p *float64) float64 {
		if p == nil {
			return -1
		}
		return *p
	}
	two := `<PartAmount Amount="3"/><PartAmount Amount="4.5"/>`
	for _, c := range []struct {
		name, inside string
		m, m2        float64
		flag         string
	}{
		{"metres", media(`Unit="m"`, "", mono, two), 7.5, -1, ""},
		{"square metres", media(`Unit="m2"`, "", mono, two), -1, 7.5, "by area only"},
		{"no unit", media("", "", mono, two), -1, -1, "has no Unit"},
		{"a count", media(`Unit="count"`, "", mono, two), -1, -1, "7.5 count is neither"},
		{"two units", media(`Unit="m"`, "", mono, two) + media(`Unit="m2"`, "", mono, two), -1, -1, "different units (m, m2)"},
		{"no amount", media(`Unit="m"`, "", mono, ""), -1, -1, "plans no amount"},
		{"waste beside it", media(`Unit="m"`, "", mono, `<PartAmount Amount="3" Waste="0.5"/>`), 3, -1, "0.5 m of waste"},
	} {
		d := one(t, xjdf("", c.inside), ticket.Options{}).Data
		if value(d.LengthM) != c.m || value(d.AreaM2) != c.m2 {
			t.Errorf("%s: want %g m and %g m2, got %g and %g", c.name, c.m, c.m2, value(d.LengthM), value(d.AreaM2))
		}
		if c.flag != "" {
			hasFlag(t, d, c.flag)
		} else if len(d.Flags) > 0 {
			t.Errorf("%s: got flags %q", c.name, d.Flags)
		}
	}
}

func TestFilmsThatDiffer(t *testing.T) {
	cast := `MediaTypeDetails="Cast" Dimension="2976.378 0" Thickness="50"`
	d := one(t, xjdf("", media(`Unit="m"`, `ExternalID="A"`, mono+` Thickness="80"`, `<PartAmount Amount="1"/>`)+media(`Unit="m"`, `ExternalID="B"`, cast, `<PartAmount Amount="2"/>`)), ticket.Options{}).Data
	if d.FilmClass != event.Monomeric || d.Stock != "" || d.RollWidthMM != nil || d.ThicknessUM != nil || *d.LengthM != 3 {
		t.Errorf("got %+v", d)
	}
	for _, says := range []string{"film_class: the film of the ticket names different classes", "stock: the ticket gives A and B", "roll_width_mm", "thickness_um"} {
		hasFlag(t, d, says)
	}
}

func TestIntentIsTheFallback(t *testing.T) {
	intent := `<ProductList><Product Amount="5"><Intent Name="MediaIntent"><MediaIntent MediaTypeDetails="Calendered"/></Intent></Product></ProductList>`
	d := one(t, xjdf("", intent+media(`Unit="m"`, "", `MediaType="Vinyl"`, "")), ticket.Options{}).Data
	if d.FilmClass != event.Monomeric || *d.Copies != 5 {
		t.Errorf("got %+v", d)
	}
	hasFlag(t, d, "says only calendered")
	d = one(t, xjdf("", intent+media(`Unit="m"`, "", `MediaTypeDetails="Cast"`, "")), ticket.Options{}).Data
	if d.FilmClass != event.Cast {
		t.Errorf("got %+v", d)
	}
	d = one(t, xjdf("", ""), ticket.Options{}).Data
	hasFlag(t, d, "names no film class")
}

func TestKeyMap(t *testing.T) {
	keys := ticket.KeyMap{
		"passes":          {{Attribute: "{urn:film}Passes"}, {GeneralID: "shop:passes"}},
		"cure_c":          {{Attribute: "Cure", Unit: "F"}},
		"ink_density_pct": {{Attribute: "Ink", Unit: "ratio"}},
		"mark_spacing_mm": {{Attribute: "Marks", Unit: "in"}},
		"rest_s":          {{GeneralID: "shop:rest", Unit: "h"}},
		"film_class":      {{GeneralID: "shop:class"}},
		"stock":           {{GeneralID: "shop:stock"}},
		"finish_at":       {{Attribute: "Cut"}},
	}
	inside := laminate + media(`Unit="m" CombinedProcessIndex="0"`, `ExternalID="X"`, `MediaTypeDetails="Cast" f:Cure="194"`, "") +
		`<ResourceSet Name="DigitalPrintingParams" CombinedProcessIndex="0"><Resource><GeneralID IDUsage="shop:passes" IDValue="8"/><DigitalPrintingParams f:Passes=" 8 " f:Ink="1.1"/></Resource></ResourceSet>
		<ResourceSet Name="CuttingParams" CombinedProcessIndex="2"><Resource><CuttingParams f:Passes="99" f:Marks="10" f:Cut="2026-03-04T10:00:00"/></Resource></ResourceSet>
		<GeneralID IDUsage="shop:rest" IDValue="24"/><GeneralID IDUsage="shop:class" IDValue="calendered monomeric"/><GeneralID IDUsage="shop:stock" IDValue="MONO-MATT-137"/>`
	d := one(t, xjdf("", inside), ticket.Options{Keys: keys, Location: time.FixedZone("shop", 3600)}).Data
	// 194 °F is 90 °C, 10 inches are 254 mm.
	if *d.Passes != 8 || *d.CureC != 90 || *d.MarkSpacingMM != 254 || *d.RestS != 86400 || d.Stock != "MONO-MATT-137" || d.FilmClass != event.Monomeric {
		t.Errorf("got %+v", d)
	}
	if got := *d.InkDensityPct; got < 109.999 || got > 110.001 {
		t.Errorf("ink density: got %g", got)
	}
	if want := time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC); d.FinishAt == nil || !d.FinishAt.Equal(want) {
		t.Errorf("finish_at: want %v, got %v", want, d.FinishAt)
	}
	hasFlag(t, d, "@Cut has no time zone")
	hasFlag(t, d, "says cast, the shop's own attribute monomeric")

	d = one(t, xjdf("", strings.Replace(inside, `IDValue="8"`, `IDValue="12"`, 1)), ticket.Options{Keys: keys}).Data
	if d.Passes != nil {
		t.Errorf("passes disagree: got %g", *d.Passes)
	}
	hasFlag(t, d, "passes: the ticket gives")
}

// TestKeysMatchExactly makes sure that a key with a namespace does not match
// another one, and that an attribute without namespace matches no key.
func TestKeysMatchExactly(t *testing.T) {
	for _, c := range []struct {
		key  string
		want bool
	}{{"{urn:film}P", true}, {"P", true}, {"{urn:other}P", false}, {"Q", false}, {"{}P", false}, {"p", false}} {
		d := one(t, xjdf(`f:P="8" Q="8" `, ""), ticket.Options{Keys: ticket.KeyMap{"passes": {{Attribute: c.key}}}}).Data
		if (d.Passes != nil) != c.want {
			t.Errorf("%s: want a match %v, got %v", c.key, c.want, d.Passes)
		}
	}
}

func TestKeyMapCheck(t *testing.T) {
	for _, c := range []struct {
		keys ticket.KeyMap
		says string
	}{
		{ticket.KeyMap{"pases": {{Attribute: "P"}}}, "one of passes, cure_c"},
		{ticket.KeyMap{"passes": {{}}}, "either an attribute or a general id"},
		{ticket.KeyMap{"passes": {{Attribute: "P", GeneralID: "P"}}}, "either an attribute or a general id"},
		{ticket.KeyMap{"passes": {{Attribute: "kc:P"}}}, "{namespace}name"},
		{ticket.KeyMap{"cure_c": {{Attribute: "T", Unit: "R"}}}, "one of , C, F, K"},
	} {
		if err := c.keys.Check(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: want an error about %q, got %v", c.keys, c.says, err)
		}
		if _, err := ticket.Parse("t", []byte(xjdf("", "")), ticket.Options{Keys: c.keys}); err == nil {
			t.Errorf("%v: Parse took it", c.keys)
		}
	}
	if err := shopKeys().Check(); err != nil {
		t.Error(err)
	}
}

func TestXJDFErrors(t *testing.T) {
	info := func(attributes string) string {
		return "\n" + `<ResourceSet Name="NodeInfo"><Resource><NodeInfo ` + attributes + `/></Resource></ResourceSet>`
	}
	keys := ticket.KeyMap{"passes": {{Attribute: "Passes"}}, "rest_s": {{Attribute: "Rest"}}, "film_class": {{Attribute: "Class"}}}
	for _, c := range []struct {
		text, kind, field, says string
		line                    int
	}{
		{strings.Replace(xjdf("", ""), `JobID="J-1"`, `JobID=" "`, 1), "missing-field", "XJDF/@JobID", "the id of the job", 1},
		{`<XJDF xmlns="` + xjdfSpace + `" JobID="J-1"/>`, "missing-field", "XJDF/@Types", "processes", 1},
		{`<XJDF xmlns="` + xjdfSpace + `" JobID="J-1" Types="Product"/>`, "unsupported", "XJDF/@Types", "DigitalPrinting", 1},
		{xjdf("", info(`LastEnd="tomorrow"`)), "bad-value", "Resource/NodeInfo/@LastEnd", "ISO 8601", 2},
		{xjdf("", info(`JobPriority="high"`)), "bad-value", "Resource/NodeInfo/@JobPriority", "a number", 2},
		{xjdf("", info(`JobPriority="101"`)), "bad-value", "Resource/NodeInfo/@JobPriority", "0 to 100", 2},
		{xjdf("", "\n"+media(`Unit="m"`, "", mono, `<PartAmount Amount="lots"/>`)), "bad-value", "AmountPool/PartAmount/@Amount", "a number", 2},
		{xjdf("", "\n"+media(`Unit="m"`, "", mono, `<PartAmount Amount="INF"/>`)), "bad-value", "AmountPool/PartAmount/@Amount", "a number", 2},
		{xjdf("", "\n"+media(`Unit="m"`, "", mono, `<PartAmount Amount="-3"/>`)), "bad-value", "AmountPool/PartAmount/@Amount", "for length_m", 2},
		{xjdf("", "\n"+media("", "", `Dimension="1370mm 0"`, "")), "bad-value", "Resource/Media/@Dimension", "points", 2},
		{xjdf("", "\n"+media("", "", `Dimension="1370"`, "")), "bad-value", "Resource/Media/@Dimension", "points", 2},
		{xjdf("", "\n"+media("", "", `Thickness="thin"`, "")), "bad-value", "Resource/Media/@Thickness", "a number", 2},
		{xjdf("", "\n"+media(`CombinedProcessIndex="3"`, "", mono, "")), "bad-value", "XJDF/ResourceSet/@CombinedProcessIndex", "0 to 2", 2},
		{xjdf("", "\n"+media(`CombinedProcessIndex="first"`, "", mono, "")), "bad-value", "XJDF/ResourceSet/@CombinedProcessIndex", "0 to 2", 2},
		{xjdf(`f:Passes="many"`, ""), "bad-value", "XJDF/@Passes", "a number for passes", 1},
		{xjdf(`f:Passes="99"`, ""), "bad-value", "XJDF/@Passes", "1 to 64", 1},
		{xjdf(`f:Rest="P"`, ""), "bad-value", "XJDF/@Rest", "duration", 1},
		{xjdf(`f:Class="shiny"`, ""), "bad-value", "XJDF/@Class", "film class", 1},
		{xjdf(`DescriptiveName="`+strings.Repeat("x", 5000)+`"`, ""), "bad-value", "XJDF/@DescriptiveName", "at most 4096", 1},
	} {
		_, err := ticket.Parse("bad.xjdf", []byte(c.text), ticket.Options{Keys: keys})
		e, ok := err.(*ticket.Error)
		if !ok || e.Kind != c.kind || e.Field != c.field || e.Line != c.line || e.File != "bad.xjdf" || !strings.Contains(e.Error(), c.says) {
			t.Errorf("want %s at %s line %d about %q, got %#v", c.kind, c.field, c.line, c.says, err)
		}
	}
}

func TestCopies(t *testing.T) {
	products := `<ProductList><Product Amount="30" IsRoot="true"/><Product Amount="60"/></ProductList>`
	component := `<ResourceSet Name="Component" Usage="Output"%s><Resource><AmountPool><PartAmount Amount="25"/></AmountPool></Resource></ResourceSet>`
	gang := `<ResourceSet Name="NodeInfo"><Resource><NodeInfo><GangSource JobID="A" Copies="10"/><GangSource JobID="B" Copies="7"/></NodeInfo></Resource></ResourceSet>`
	for _, c := range []struct {
		inside string
		want   float64
		flag   string
	}{
		{products, 30, ""},
		{strings.Replace(products, ` IsRoot="true"`, "", 1), 90, ""},
		{fmt.Sprintf(component, ""), 25, ""},
		{fmt.Sprintf(component, ` Unit="m"`) + products, 30, ""},
		{fmt.Sprintf(component, ` Unit="count"`) + products, 30, "the product list says 30, the output component says 25"},
		{gang, 17, "gang of A (10), B (7)"},
		{gang + products, 17, "the gang says 17, the product list says 30"},
	} {
		d := one(t, xjdf("", c.inside), ticket.Options{}).Data
		if d.Copies == nil || *d.Copies != c.want {
			t.Errorf("%s: want %g, got %v", c.inside, c.want, d.Copies)
		}
		if c.flag != "" {
			hasFlag(t, d, c.flag)
		}
	}
}

func TestContourAndLaminate(t *testing.T) {
	set := func(inside string) string {
		return `<ResourceSet Name="X"><Resource>` + inside + `</Resource></ResourceSet>`
	}
	for _, c := range []struct {
		types, inside     string
		contour, laminate bool
	}{
		{"DigitalPrinting", "", false, false},
		{"DigitalPrinting ShapeCutting", "", true, false},
		{"DigitalPrinting Cutting", set(`<CuttingParams><CutBlock Box="0 0 1 1"/></CuttingParams>`), false, false},
		{"DigitalPrinting Cutting", set(`<CuttingParams><FileSpec URL="cut.pdf"/></CuttingParams>`), true, false},
		{"DigitalPrinting", set(`<ShapeCuttingParams><Shape CutPath="0 0 m"/></ShapeCuttingParams>`), true, false},
		{"DigitalPrinting", set(`<Color ColorType="DieLine"/>`), true, false},
		{"DigitalPrinting", set(`<Color ColorType="Normal"/>`), false, false},
		{"DigitalPrinting Laminating", "", false, true},
		{"DigitalPrinting", set(`<LaminatingParams/>`), false, true},
		{"DigitalPrinting", `<ProductList><Product><Intent><LaminatingIntent/></Intent><Intent><ShapeCuttingIntent/></Intent></Product></ProductList>`, true, true},
	} {
		d := one(t, `<XJDF xmlns="`+xjdfSpace+`" JobID="J" Types="`+c.types+`">`+c.inside+`</XJDF>`, ticket.Options{}).Data
		if d.ContourCut != c.contour || d.Laminate != c.laminate {
			t.Errorf("%s %s: got contour %v, laminate %v", c.types, c.inside, d.ContourCut, d.Laminate)
		}
	}
}

func TestPlanTimes(t *testing.T) {
	info := func(index, attributes string) string {
		return `<ResourceSet Name="NodeInfo" ` + index + `><Resource><NodeInfo ` + attributes + `/></Resource></ResourceSet>`
	}
	d := one(t, xjdf("", info(`CombinedProcessIndex="1 2"`, `Start="2026-03-05T08:00:00Z" LastEnd="2026-03-09T08:00:00Z" JobPriority="1"`)+
		info(`CombinedProcessIndex="0"`, `Start="2026-03-04T08:00:00Z" FirstStart="2026-03-01T08:00:00Z" End="2026-03-04T09:00:00Z" JobPriority="70"`)), ticket.Options{}).Data
	for name, c := range map[string]struct {
		got  *time.Time
		want string
	}{
		"start_at":  {d.StartAt, "2026-03-04T08:00:00Z"},
		"finish_at": {d.FinishAt, "2026-03-05T08:00:00Z"},
		"due":       {d.Due, "2026-03-04T09:00:00Z"},
	} {
		if c.got == nil || c.got.Format(time.RFC3339) != c.want {
			t.Errorf("%s: want %s, got %v", name, c.want, c.got)
		}
	}
	if *d.Priority != 70 {
		t.Errorf("priority: got %g", *d.Priority)
	}
	d = one(t, xjdf("", info("", `LastEnd="2026-03-09T08:00:00Z"`)+info("", `LastEnd="2026-03-08T08:00:00Z"`)), ticket.Options{}).Data
	if d.Due.Day() != 8 {
		t.Errorf("of several times the earliest counts, got %v", d.Due)
	}
	hasFlag(t, d, "due: the ticket gives several times")
	doc := parse(t, xjdf("", info("", `Status="Completed"`)), ticket.Options{})
	if len(doc.Tickets) != 0 || len(doc.Notes) != 1 {
		t.Errorf("a completed plan: got %+v", doc)
	}
}

// TestAuditsOfOthersLeaveAPlan makes sure that a ticket whose prepress has run
// still queues its print.
func TestAuditsOfOthersLeaveAPlan(t *testing.T) {
	device := `<ResourceSet Name="Device" CombinedProcessIndex="0"><Resource><Device DeviceID="PRN"/></Resource></ResourceSet>`
	audit := func(id string) string {
		return `<AuditPool><AuditProcessRun><Header DeviceID="` + id + `" Time="2026-03-04T08:00:00Z"/><ProcessRun Start="2026-03-04T07:00:00Z" End="2026-03-04T08:00:00Z" EndStatus="Completed"/></AuditProcessRun></AuditPool>`
	}
	doc := parse(t, xjdf("", audit("PREPRESS")+device), ticket.Options{})
	if len(doc.Tickets) != 1 || len(doc.Signals) != 0 || len(doc.Notes) != 1 {
		t.Errorf("prepress has run: got %+v", doc)
	}
	for _, id := range []string{"PRN", ""} {
		doc = parse(t, xjdf("", audit(id)+device), ticket.Options{})
		if len(doc.Tickets) != 0 || len(doc.Signals) != 2 {
			t.Errorf("printing has run on %q: got %+v", id, doc)
		}
	}
	doc = parse(t, xjdf("", audit("ANY")), ticket.Options{})
	if len(doc.Tickets) != 0 || len(doc.Signals) != 2 {
		t.Errorf("no device named: got %+v", doc)
	}
}
