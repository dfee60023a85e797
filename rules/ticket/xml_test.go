package ticket_test

import (
	"bytes"
	"encoding/binary"
	"runtime"
	"strings"
	"testing"
	"unicode/utf16"

	"rollwarden/rules/ticket"
)

const xjdfSpace = "http://www.CIP4.org/JDFSchema_2_0"

// xjdf builds a small ticket around resource sets.
func xjdf(attributes, inside string) string {
	return `<XJDF xmlns="` + xjdfSpace + `" xmlns:f="urn:film" JobID="J-1" Types="DigitalPrinting Laminating Cutting" ` + attributes + `>` + inside + `</XJDF>`
}

func parse(t *testing.T, text string, o ticket.Options) ticket.Document {
	t.Helper()
	doc, err := ticket.Parse("t.xml", []byte(text), o)
	if err != nil {
		t.Fatalf("%v\nin %.300s", err, text)
	}
	return doc
}

// one returns the only ticket of a text.
func one(t *testing.T, text string, o ticket.Options) ticket.Ticket {
	t.Helper()
	doc := parse(t, text, o)
	if len(doc.Tickets) != 1 {
		t.Fatalf("want one ticket, got %d of %q", len(doc.Tickets), doc.Notes)
	}
	return doc.Tickets[0]
}

// TestXMLRefuses lists what a ticket must not have although encoding/xml
// would let most of it pass.
func TestXMLRefuses(t *testing.T) {
	for _, c := range []struct{ name, text, kind, says string }{
		{"unused DOCTYPE", `<!DOCTYPE XJDF>` + xjdf("", ""), "forbidden", "DOCTYPE"},
		{"other declaration", `<!ENTITY a "b">` + xjdf("", ""), "forbidden", "ENTITY"},
		{"second root", xjdf("", "") + xjdf("", ""), "malformed", "one root element"},
		{"trailing text", xjdf("", "") + "oops", "malformed", "outside"},
		{"leading text", "<?xml version='1.0'?>oops" + xjdf("", ""), "malformed", "outside"},
		{"declaration further down", "\n<?xml version='1.0'?>" + xjdf("", ""), "malformed", "XML declaration"},
		{"closing the wrong element", `<XJDF xmlns="` + xjdfSpace + `"><a></b></XJDF>`, "malformed", "want </a>, got </b>"},
		{"closing with another prefix", `<x:a xmlns:x="u" xmlns:y="u"></y:a>`, "malformed", "want </x:a>, got </y:a>"},
		{"unknown entity", xjdf("", "&nbsp;"), "malformed", "entity"},
		{"bare ampersand", xjdf("", "a & b"), "malformed", "well-formed"},
		{"undeclared prefix", xjdf(`g:a="1"`, ""), "malformed", "xmlns:g"},
		{"undeclared prefix of an element", xjdf("", "<g:a/>"), "malformed", "xmlns:g"},
		{"prefix declared empty", xjdf(`xmlns:g=""`, ""), "malformed", "namespace declaration"},
		{"declared twice", xjdf(`xmlns:f="urn:other"`, ""), "malformed", "twice"},
		{"two colons", xjdf(`f:a:b="1"`, ""), "malformed", "colon"},
		{"XInclude", xjdf("", `<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="file:///etc/hostname"/>`), "forbidden", "whole in itself"},
		{"no namespace", `<XJDF JobID="J-1" Types="DigitalPrinting"/>`, "unsupported", "JDFSchema_2"},
		{"another root", `<html xmlns="http://www.w3.org/1999/xhtml"/>`, "unsupported", `"html"`},
		{"JDF in the namespace of XJDF", `<JDF xmlns="` + xjdfSpace + `"/>`, "unsupported", `"JDF"`},
		{"plain text", "hello", "unsupported", "XJDF or JDF ticket"},
		{"control character", xjdf("", "\x01"), "malformed", "well-formed"},

		// The two bad elements of Namespaces in XML 1.0, section 6.3
		// (https://www.w3.org/TR/xml-names/#uniqAttrs).
		{"same name twice", `<x xmlns:n1="http://www.w3.org" xmlns:n2="http://www.w3.org"><bad a="1" a="2"/></x>`, "malformed", "twice"},
		{"same name by two prefixes", `<x xmlns:n1="http://www.w3.org" xmlns:n2="http://www.w3.org"><bad n1:a="1" n2:a="2"/></x>`, "malformed", "twice"},
		{"job id twice", xjdf(`JobID="J-2"`, ""), "malformed", `"JobID"`},
	} {
		e := parseError(t, c.name, []byte(c.text))
		if e.Kind != c.kind || !strings.Contains(e.Error(), c.says) || e.Incomplete {
			t.Errorf("%s: want %s about %q, got %s: %v", c.name, c.kind, c.says, e.Kind, e)
		}
	}
}

// TestXMLNamespaceExamples reads the two good elements of the same section:
// the default namespace does not apply to attributes.
func TestXMLNamespaceExamples(t *testing.T) {
	parse(t, xjdf(`xmlns:n1="http://www.w3.org"`, `<x xmlns="http://www.w3.org"><good a="1" b="2"/><good a="1" n1:a="2"/></x>`), ticket.Options{})
}

// TestForeignAttributesStayForeign makes sure that nothing but the plain
// JobID is the job id, in whatever order the attributes come.
func TestForeignAttributesStayForeign(t *testing.T) {
	for _, attributes := range []string{`f:JobID="EVIL" JobPartID="P"`, `JobPartID="P" f:JobPartID="EVIL" f:Types="EVIL"`} {
		text := xjdf(attributes, "")
		for _, order := range []string{text, strings.Replace(text, `xmlns:f="urn:film" JobID="J-1"`, `JobID="J-1" xmlns:f="urn:film"`, 1)} {
			if d := one(t, order, ticket.Options{}).Data; d.Job != "J-1" || d.Part != "P" {
				t.Errorf("%s: got job %q part %q", attributes, d.Job, d.Part)
			}
		}
	}
	// Even the standard's own namespace does not make a prefixed attribute its
	// own: XJDF attributes have no namespace.
	text := `<x:XJDF xmlns:x="` + xjdfSpace + `" x:JobID="EVIL" JobID="J-1" Types="DigitalPrinting"/>`
	if d := one(t, text, ticket.Options{}).Data; d.Job != "J-1" {
		t.Errorf("got job %q", d.Job)
	}
	e := parseError(t, "t", []byte(`<x:XJDF xmlns:x="`+xjdfSpace+`" x:JobID="EVIL" Types="DigitalPrinting"/>`))
	if e.Kind != "missing-field" || e.Field != "XJDF/@JobID" {
		t.Errorf("got %+v", *e)
	}
}

// TestForeignElementsStayForeign makes sure that what a foreign element holds
// is not read as the ticket's own.
func TestForeignElementsStayForeign(t *testing.T) {
	d := one(t, xjdf("", `<f:history><ShapeCuttingIntent/><LaminatingParams/></f:history>
		<f:ResourceSet Name="NodeInfo"><Resource><NodeInfo JobPriority="99"/></Resource></f:ResourceSet>`), ticket.Options{}).Data
	if d.ContourCut || d.Priority != nil {
		t.Errorf("got %+v", d)
	}
}

// TestXMLCutShort cuts a sample after every byte: each piece is incomplete,
// never wrong in another way, so that a watcher waits for the rest.
func TestXMLCutShort(t *testing.T) {
	for _, name := range []string{"01-decals-print-contourcut.xjdf", "31-classic-status.jmf", "edge/latin1.xjdf", "edge/bom.xjdf"} {
		text := bytes.TrimSpace(read(t, name))
		for i := 0; i < len(text); i += 1 + i/100 {
			if e := parseError(t, name, text[:i]); !e.Incomplete || e.Kind != "incomplete" {
				t.Fatalf("%s after %d bytes: %+v", name, i, *e)
			}
		}
	}
}

func TestXMLBombs(t *testing.T) {
	deep := strings.Repeat("<a>", 20000) + strings.Repeat("</a>", 20000)
	many := func(piece string, n int) string { return strings.Repeat(piece, n) }
	for _, c := range []struct{ name, text, says string }{
		{"nesting", xjdf("", deep), "64 deep"},
		{"elements", xjdf("", many("<a/>", 250_000)), "200000 elements"},
		{"texts and comments", xjdf("", many("x<!---->", 190_000)), "200000 elements"},
		{"attributes of one element", xjdf(many(` a=""`, 3_000_000), ""), "200000 elements"},
		{"attributes of many elements", xjdf("", many(`<a b="" c="" d=""/>`, 60_000)), "200000 elements"},
		{"bytes", xjdf("", many(" ", ticket.MaxBytes)), "at most 16 MiB, got 16.1 MiB"},
	} {
		before := allocated()
		e := parseError(t, c.name, []byte(c.text))
		if e.Kind != "too-large" || !strings.Contains(e.Error(), c.says) {
			t.Errorf("%s: want too-large about %q, got %s: %v", c.name, c.says, e.Kind, e)
		}
		if used := allocated() - before; used > 256<<20 {
			t.Errorf("%s: took %d MiB", c.name, used>>20)
		}
	}
	// The deepest ticket that is allowed is read.
	parse(t, xjdf("", strings.Repeat("<a>", ticket.MaxDepth-1)+strings.Repeat("</a>", ticket.MaxDepth-1)), ticket.Options{})
}

// allocated returns how many bytes were ever allocated.
func allocated() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.TotalAlloc
}

func utf16Text(text string, order binary.AppendByteOrder, bom bool) []byte {
	var out []byte
	if bom {
		out = order.AppendUint16(out, 0xFEFF)
	}
	for _, u := range utf16.Encode([]rune(text)) {
		out = order.AppendUint16(out, u)
	}
	return out
}

func TestCharsets(t *testing.T) {
	declared := func(charset, title string) string {
		return `<?xml version="1.0" encoding="` + charset + `"?>` + xjdf(`DescriptiveName="`+title+`"`, "")
	}
	const title = "Été – 5 µm ☂"
	plain := func(s string) []byte { return []byte(s) }
	for _, c := range []struct {
		name string
		data []byte
		want string
	}{
		{"UTF-8", plain(declared("utf-8", title)), title},
		{"UTF-8 without declaration", plain(xjdf(`DescriptiveName="`+title+`"`, "")), title},
		{"UTF-8 with mark", plain("\ufeff" + declared("UTF-8", title)), title},
		{"UTF-16, little end first", utf16Text(declared("UTF-16", title), binary.LittleEndian, true), title},
		{"UTF-16, big end first", utf16Text(declared("utf-16", title), binary.BigEndian, true), title},
		// XML 1.0, appendix F.1: without a mark the declaration shows it.
		{"UTF-16LE without mark", utf16Text(declared("UTF-16LE", title), binary.LittleEndian, false), title},
		{"UTF-16BE without mark", utf16Text(declared("UTF-16BE", title), binary.BigEndian, false), title},
		// RFC 7303, section 3.3: the mark goes before the declaration.
		{"mark against declaration", utf16Text(declared("ISO-8859-1", title), binary.LittleEndian, true), title},
		// E9 is é in ISO 8859-1, 80 is the euro sign in windows-1252, A4 in ISO 8859-15.
		{"Latin-1", plain(declared("ISO-8859-1", "\xe9t\xe9")), "été"},
		{"Latin-1 by alias", plain(declared("latin1", "\xe9t\xe9")), "été"},
		{"windows-1252", plain(declared("windows-1252", "5 \x80")), "5 €"},
		{"Latin-9", plain(declared("ISO-8859-15", "5 \xa4")), "5 €"},
		{"single quotes", plain(`<?xml version='1.0' encoding = 'ISO-8859-1' ?>` + xjdf("DescriptiveName=\"\xe9\"", "")), "é"},
	} {
		doc, err := ticket.Parse(c.name, c.data, ticket.Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		} else if got := doc.Tickets[0].Data.Title; got != c.want {
			t.Errorf("%s: want %q, got %q", c.name, c.want, got)
		}
	}
	for _, c := range []struct {
		name, kind, says string
		incomplete       bool
		data             []byte
	}{
		{"Latin-1 that claims to be UTF-8", "malformed", "UTF-8", false, plain(declared("UTF-8", "\xe9t\xe9"))},
		{"no such charset", "unsupported", "KLINGON", false, plain(declared("KLINGON", ""))},
		{"UTF-16 that is not", "unsupported", "UTF-16", false, plain(declared("UTF-16", ""))},
		{"UTF-32", "unsupported", "UTF-32", false, plain(declared("UTF-32", ""))},
		{"half a surrogate pair", "malformed", "UTF-16", false, append(utf16Text("<a", binary.LittleEndian, true), 0x00, 0xD8, '>', 0)},
		{"an odd byte of UTF-16", "incomplete", "UTF-16", true, append(utf16Text(declared("UTF-16", ""), binary.LittleEndian, true), ' ')},
		{"a byte that windows-1252 lacks", "malformed", "windows-1252", false, plain(declared("windows-1252", "\x81"))},
		{"JSON in UTF-16", "unsupported", "UTF-8", false, utf16Text(`{"job":"J-1"}`, binary.LittleEndian, true)},
	} {
		if e := parseError(t, c.name, c.data); e.Kind != c.kind || e.Incomplete != c.incomplete || !strings.Contains(e.Error(), c.says) {
			t.Errorf("%s: want %s about %q, got %s: %v", c.name, c.kind, c.says, e.Kind, e)
		}
	}
}
