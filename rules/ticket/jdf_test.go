package ticket_test

import (
	"strings"
	"testing"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

const jdfSpace = "http://www.CIP4.org/JDFSchema_1_1"

// jdf builds a printing node inside of a product node.
func jdf(outer, node, pool, links, more string) string {
	return `<JDF xmlns="` + jdfSpace + `" xmlns:f="urn:film" ID="r" Type="Product" JobID="J-1" JobPartID="R" DescriptiveName="Set">` + outer +
		`<JDF ID="n" Type="Combined" Types="DigitalPrinting Laminating" ` + node + `><ResourcePool>` + pool + `</ResourcePool><ResourceLinkPool>` + links + `</ResourceLinkPool>` + more + `</JDF></JDF>`
}

func TestJDFInheritance(t *testing.T) {
	d := one(t, jdf("", `JobPartID="P"`, "", "", ""), ticket.Options{}).Data
	if d.Job != "J-1" || d.Part != "P" || d.Title != "Set" || !d.Laminate || d.ContourCut {
		t.Errorf("got %+v", d)
	}
	d = one(t, jdf("", "", "", "", ""), ticket.Options{}).Data
	if d.Part != "R" {
		t.Errorf("the part is inherited: got %q", d.Part)
	}
	d = one(t, jdf("", `JobID="J-2" JobPartID="P" DescriptiveName="Own"`, "", "", ""), ticket.Options{}).Data
	if d.Job != "J-2" || d.Title != "Own" {
		t.Errorf("an own value goes first: got %+v", d)
	}
	for _, space := range []string{"http://www.CIP4.org/JDFSchema_1", "http://www.cip4.org/jdfschema_1_1"} {
		one(t, strings.Replace(jdf("", "", "", "", ""), jdfSpace, space, 1), ticket.Options{})
	}
}

const partitioned = `<ResourcePool><Media ID="M" Unit="m" ProductID="POLY-GLOSS-137" MediaTypeDetails="Polymeric" Dimension="2976.378 0" Amount="50" PartIDKeys="SheetName Side">
	<Media SheetName="A" Thickness="70"><Media Side="1" Dimension="3883.465 0"/><Media Side="2"/></Media>
	<Media SheetName="B" ProductID="CAST-WRAP-152" MediaTypeDetails="Cast" Thickness="50"/></Media>
	<Media ID="L" MediaType="LaminatingFoil" ProductID="LAM" Unit="m"/></ResourcePool>`

// TestJDFPartitions follows links to resources of the node around it, and
// selects partitions; a leaf inherits what it does not say itself.
func TestJDFPartitions(t *testing.T) {
	for _, c := range []struct {
		link, stock string
		width, m    float64
		class       event.Class
	}{
		{`<MediaLink rRef="M" Usage="Input" CombinedProcessIndex="0" Amount="3"><Part SheetName="A" Side="1"/></MediaLink>`, "POLY-GLOSS-137", 1370, 3, event.Polymeric},
		{`<MediaLink rRef="M" Usage="Input" CombinedProcessIndex="0" Amount="3"><Part SheetName="A" Side="2"/></MediaLink>`, "POLY-GLOSS-137", 1050, 3, event.Polymeric},
		{`<MediaLink rRef="M" Usage="Input" Amount="3"><Part SheetName="B"/></MediaLink><MediaLink rRef="L" Usage="Input" Amount="9"/>`, "CAST-WRAP-152", 1050, 3, event.Cast},
		{`<MediaLink rRef="L" Usage="Input" CombinedProcessIndex="1" Amount="9"/><MediaLink rRef="M" Usage="Input" CombinedProcessIndex="0"><Part SheetName="B"/>
			<AmountPool><PartAmount Amount="4"><Part SheetName="B" Condition="Good"/></PartAmount><PartAmount Amount="100"><Part SheetName="A"/></PartAmount><PartAmount Amount="1"><Part SheetName="B" Condition="Waste"/></PartAmount></AmountPool></MediaLink>`, "CAST-WRAP-152", 1050, 4, event.Cast},
	} {
		d := one(t, jdf(partitioned, "", "", c.link, ""), ticket.Options{}).Data
		if d.Stock != c.stock || *d.RollWidthMM != c.width || d.LengthM == nil || *d.LengthM != c.m || d.FilmClass != c.class {
			t.Errorf("%s: got %+v", c.link, d)
		}
	}
	d := one(t, jdf(partitioned, "", "", `<MediaLink rRef="M" Usage="Input"/>`, ""), ticket.Options{}).Data
	if d.FilmClass != event.Unknown || d.Stock != "" || d.LengthM != nil {
		t.Errorf("all partitions: got %+v", d)
	}
	hasFlag(t, d, "plans no amount") // what the resource holds is no plan
}

// TestJDFAmountsOfOutputs takes copies from the link, else from the parts of
// the component, else from what they inherit.
func TestJDFAmountsOfOutputs(t *testing.T) {
	parts := `<Component ID="C" Amount="9"><Component SheetName="A" Amount="4"/><Component SheetName="B" Amount="3"/></Component>`
	for _, c := range []struct {
		pool, link string
		want       float64
	}{
		{parts, `<ComponentLink rRef="C" Usage="Output" Amount="11"/>`, 11},
		{parts, `<ComponentLink rRef="C" Usage="Output"/>`, 7},
		{parts, `<ComponentLink rRef="C" Usage="Output"><Part SheetName="B"/></ComponentLink>`, 3},
		{`<Component ID="C" Amount="9"><Component SheetName="A"/></Component>`, `<ComponentLink rRef="C" Usage="Output"/>`, 9},
	} {
		d := one(t, jdf("", "", c.pool, c.link, ""), ticket.Options{}).Data
		if d.Copies == nil || *d.Copies != c.want {
			t.Errorf("%s: want %g, got %v", c.link, c.want, d.Copies)
		}
	}
	d := one(t, jdf("", "", `<Media ID="M" Unit="m"><Lot LotID="L7"/></Media><Media ID="O" ProductID="OUT"/>`, `<MediaLink rRef="M" Usage="Input"/><MediaLink rRef="O" Usage="Output"/>`, ""), ticket.Options{}).Data
	if d.Lot != "L7" || d.Stock != "" {
		t.Errorf("got %+v", d)
	}
}

// TestJDFBlames makes sure that each value of a node is blamed where it is.
func TestJDFBlames(t *testing.T) {
	info := func(a string) string { return jdf("", "", `<NodeInfo ID="N" `+a+`/>`, `<NodeInfoLink rRef="N"/>`, "") }
	film := func(a, link string) string {
		return jdf("", "", `<Media ID="M" `+a+`/>`, `<MediaLink rRef="M" Usage="Input" `+link+`/>`, "")
	}
	audit := func(a string) string { return jdf("", "", "", "", `<AuditPool>`+a+`</AuditPool>`) }
	for _, c := range []struct{ text, field string }{
		{info(`Start="x"`), "ResourcePool/NodeInfo/@Start"},
		{info(`FirstStart="x"`), "ResourcePool/NodeInfo/@FirstStart"},
		{info(`LastEnd="x"`), "ResourcePool/NodeInfo/@LastEnd"},
		{info(`JobPriority="x"`), "ResourcePool/NodeInfo/@JobPriority"},
		{film(`Dimension="x 0"`, ""), "ResourcePool/Media/@Dimension"},
		{film(`Dimension="0 x"`, ""), "ResourcePool/Media/@Dimension"},
		{film("", `Amount="x"`), "ResourceLinkPool/MediaLink/@Amount"},
		{jdf("", "", `<Component ID="C" Amount="x"/>`, `<ComponentLink rRef="C" Usage="Output"/>`, ""), "ResourcePool/Component/@Amount"},
		{jdf(`<NodeInfoLink/><ResourceLinkPool><NodeInfoLink rRef="none"/></ResourceLinkPool>`, "", "", "", ""), "ResourceLinkPool/NodeInfoLink/@rRef"},
		{audit(`<PhaseTime Status="InProgress"/>`), "AuditPool/PhaseTime/@TimeStamp"},
		{audit(`<PhaseTime TimeStamp="2026-03-03T08:00:00Z" Start="x"/>`), "AuditPool/PhaseTime/@Start"},
		{audit(`<ProcessRun TimeStamp="2026-03-03T08:00:00Z" End="x"/>`), "AuditPool/ProcessRun/@End"},
	} {
		if e := parseError(t, "t.jdf", []byte(c.text)); e.Field != c.field {
			t.Errorf("want %s, got %v", c.field, e)
		}
	}
}

func TestJDFErrors(t *testing.T) {
	outside := `<JDF ID="s" Type="Cutting"><ResourcePool><Media ID="X"/></ResourcePool></JDF>`
	for _, c := range []struct{ text, kind, says string }{
		{jdf("", "", "", `<MediaLink rRef="none"/>`, ""), "bad-value", "ResourceLinkPool/MediaLink/@rRef: want the ID of a Media"},
		{jdf("", "", "", `<MediaLink/>`, ""), "missing-field", "rRef"},
		{jdf(outside, "", "", `<MediaLink rRef="X"/>`, ""), "bad-value", "in the ResourcePool of this node or of one around it"},
		{jdf("", "", `<Device ID="D"/>`, `<MediaLink rRef="D"/>`, ""), "bad-value", "the ID of a Media"},
		{jdf("", "", `<Media ID="D"/><Device ID="D"/>`, "", ""), "bad-value", "no other resource"},
		{jdf("", "", `<Media ID="D"/>`, `<MediaLink rRef="D" CombinedProcessIndex="2"/>`, ""), "bad-value", "0 to 1"},
		{strings.ReplaceAll(jdf("", "", "", "", ""), `JobID="J-1"`, ""), "missing-field", "JDF/JDF/@JobID"},
		{strings.ReplaceAll(jdf("", "", "", "", ""), "DigitalPrinting", ""), "unsupported", "DigitalPrinting"},
		{jdf(`<JDF Type="DigitalPrinting" JobPartID="P"/>`, `JobPartID="P"`, "", "", ""), "bad-value", "JobPartID"},
		{jdf(strings.Repeat(`<JDF Type="DigitalPrinting"/>`, ticket.MaxTickets), "", "", "", ""), "too-large", "200 printing nodes"},
	} {
		if e := parseError(t, "t.jdf", []byte(c.text)); e.Kind != c.kind || !strings.Contains(e.Error(), c.says) {
			t.Errorf("want %s about %q, got %s: %v", c.kind, c.says, e.Kind, e)
		}
	}
	// What no ticket needs may dangle.
	doc := parse(t, jdf("", "", "", `<RunListLink rRef="none"/>`, ""), ticket.Options{})
	if len(doc.Tickets) != 1 || len(doc.Notes) != 1 {
		t.Errorf("got %+v", doc)
	}
}

// TestJDFTree reads a tree with two printing nodes and a cutter beside them.
func TestJDFTree(t *testing.T) {
	text := `<JDF xmlns="` + jdfSpace + `" Type="ProcessGroup" Types="DigitalPrinting ShapeCutting" JobID="J-1">
		<ResourcePool><NodeInfo ID="N" LastEnd="2026-03-09T08:00:00Z" JobPriority="80"/><NodeInfo ID="C" Start="2026-03-05T08:00:00Z"/><Device ID="D1" DeviceID="ONE"/><Device ID="D2" DeviceID="TWO"/></ResourcePool>
		<ResourceLinkPool><NodeInfoLink rRef="N" Usage="Input"/></ResourceLinkPool>
		<JDF Type="DigitalPrinting" JobPartID="A"><ResourceLinkPool><DeviceLink rRef="D1"/></ResourceLinkPool></JDF>
		<JDF Type="DigitalPrinting" JobPartID="B"><NodeInfo Start="2026-03-04T08:00:00Z" LastEnd="2026-03-06T08:00:00Z"/><ResourceLinkPool><DeviceLink rRef="D2"/></ResourceLinkPool></JDF>
		<JDF Type="ShapeCutting" JobPartID="C"><ResourceLinkPool><NodeInfoLink rRef="C"/></ResourceLinkPool></JDF>
		<JDF Type="DigitalPrinting" JobPartID="D" Status="Completed"/></JDF>`
	doc := parse(t, text, ticket.Options{})
	if len(doc.Tickets) != 2 || len(doc.Notes) != 1 {
		t.Fatalf("got %+v", doc)
	}
	a, b := doc.Tickets[0], doc.Tickets[1]
	if a.Data.Part != "A" || a.DeviceIDs[0] != "ONE" || a.Data.Due.Day() != 9 || a.Data.StartAt != nil || *a.Data.Priority != 80 || !a.Data.ContourCut {
		t.Errorf("first: got %+v", a)
	}
	if b.Data.Part != "B" || b.DeviceIDs[0] != "TWO" || b.Data.Due.Day() != 6 || b.Data.StartAt.Day() != 4 || b.Data.FinishAt.Day() != 5 {
		t.Errorf("second: got %+v", b)
	}
}

func TestJDFKeysFollowLinks(t *testing.T) {
	keys := ticket.KeyMap{"passes": {{Attribute: "Passes"}}, "cure_c": {{GeneralID: "cure"}}}
	pool := `<DigitalPrintingParams ID="D" f:Passes="8"/><DigitalPrintingParams ID="U" f:Passes="4"/><LaminatingParams ID="L" f:Passes="2"/>`
	links := `<DigitalPrintingParamsLink rRef="D" CombinedProcessIndex="0"/><LaminatingParamsLink rRef="L" CombinedProcessIndex="1"/>`
	d := one(t, jdf(`<GeneralID IDUsage="cure" IDValue="92"/>`, "", pool, links, ""), ticket.Options{Keys: keys}).Data
	if d.Passes == nil || *d.Passes != 8 || d.CureC == nil || *d.CureC != 92 {
		t.Errorf("got passes %v, cure %v", d.Passes, d.CureC)
	}
}

func TestJDFIntent(t *testing.T) {
	d := one(t, jdf(`<ResourcePool><MediaIntent ID="I"><MediaTypeDetails Preferred="Cast"/></MediaIntent></ResourcePool>`, "", "", "", ""), ticket.Options{}).Data
	if d.FilmClass != event.Cast {
		t.Errorf("got %+v", d)
	}
}

// TestJDFAudits reads a node that has run: its phases, its end, and the waste
// on its media link.
func TestJDFAudits(t *testing.T) {
	pool := `<Media ID="M" Unit="m" ProductID="MONO-GLOSS-137" Dimension="3883.465 0"/><Device ID="D" DeviceID="PRN"/>`
	links := `<DeviceLink rRef="D"/><MediaLink rRef="M" Usage="Input"><AmountPool><PartAmount Amount="6"/><PartAmount ActualAmount="0.7" Amount="9"><Part Condition="HeadStrikeWaste"/></PartAmount><PartAmount Amount="1"><Part Condition="Waste"/></PartAmount></AmountPool></MediaLink>`
	audits := `<AuditPool><Created TimeStamp="2026-03-03T07:00:00Z"/>
		<PhaseTime TimeStamp="2026-03-03T08:10:00Z" Status="InProgress" Start="2026-03-03T08:00:00Z" End="2026-03-03T08:10:00Z"/>
		<PhaseTime TimeStamp="2026-03-03T08:20:00Z" Status="Stopped" StatusDetails="PaperJam" Start="2026-03-03T08:10:00Z" End="2026-03-03T08:20:00Z"/>
		<ProcessRun TimeStamp="2026-03-03T08:30:00Z" Start="2026-03-03T08:00:00Z" End="2026-03-03T08:29:00Z" EndStatus="Completed"/></AuditPool>`
	doc := parse(t, jdf("", "", pool, links, audits), ticket.Options{})
	var got []string
	for _, s := range doc.Signals {
		got = append(got, string(s.Type)+" "+s.Time.Format("15:04")+" "+s.DeviceID)
	}
	want := "run.started 08:00 PRN, run.stopped 08:10 PRN, run.finished 08:29 PRN, film.wasted 08:29 PRN"
	if strings.Join(got, ", ") != want || len(doc.Tickets) != 0 {
		t.Errorf("want %s, got %q and %d tickets", want, got, len(doc.Tickets))
	}
	waste := doc.Signals[3].Data.(*event.FilmWasted)
	if waste.LengthM != 0.7 || waste.Cause != "head-strike" || *waste.WidthMM != 1370 {
		t.Errorf("got %+v", waste)
	}
}

func TestJMFResourceWaste(t *testing.T) {
	text := `<JMF xmlns="` + jdfSpace + `" SenderID="PRN" TimeStamp="2026-03-03T08:00:00Z">
		<Signal Type="Resource" Time="2026-03-03T07:59:00Z"><ResourceInfo ResourceName="Media" Unit="m" JobID="J-1"><AmountPool>
			<PartAmount ActualAmount="5"><Part Condition="Good"/></PartAmount>
			<PartAmount ActualAmount="0.5"><Part Condition="Waste" WasteDetails="MakeReady" LotID="L1"/></PartAmount>
			<PartAmount Amount="0.25"><Part Condition="HeadStrikeWaste" LotID="L1"/></PartAmount></AmountPool></ResourceInfo>
		<ResourceInfo ResourceName="Ink" Unit="l"><AmountPool><PartAmount ActualAmount="5"><Part Condition="Waste"/></PartAmount></AmountPool></ResourceInfo></Signal></JMF>`
	doc := parse(t, text, ticket.Options{})
	if len(doc.Signals) != 2 {
		t.Fatalf("got %+v", doc)
	}
	first, second := doc.Signals[0].Data.(*event.FilmWasted), doc.Signals[1].Data.(*event.FilmWasted)
	if *first != (event.FilmWasted{LengthM: 0.5, Cause: "make-ready"}) || *second != (event.FilmWasted{LengthM: 0.25, Cause: "head-strike"}) {
		t.Errorf("got %+v and %+v", first, second)
	}
	if want := time.Date(2026, 3, 3, 7, 59, 0, 0, time.UTC); !doc.Signals[0].Time.Equal(want) || doc.Signals[0].DeviceID != "PRN" {
		t.Errorf("the signal's own time: got %+v", doc.Signals[0])
	}
}

// TestJDFWorkIsBounded follows many links to one resource with many parts. The
// product of the two is what takes time, so it has a limit.
func TestJDFWorkIsBounded(t *testing.T) {
	pool := `<Media ID="M">` + strings.Repeat(`<Media SheetName="A"/>`, 10_000) + `</Media>`
	links := strings.Repeat(`<MediaLink rRef="M"/>`, 10_000)
	if e := parseError(t, "t.jdf", []byte(jdf("", "", pool, links, ""))); e.Kind != "too-large" {
		t.Errorf("got %v", e)
	}
}
