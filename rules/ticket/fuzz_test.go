package ticket_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

// seeds returns the samples that match a pattern.
func seeds(f *testing.F, pattern string) [][]byte {
	f.Helper()
	files, err := filepath.Glob(filepath.Join(samples, pattern))
	if err != nil || len(files) == 0 {
		f.Fatalf("no samples match %s (%v)", pattern, err)
	}
	var out [][]byte
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		out = append(out, data)
	}
	return out
}

// fuzz holds every input to what Parse promises.
func fuzz(f *testing.F, inputs [][]byte) {
	for _, in := range inputs {
		f.Add(in)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		before := allocated()
		doc, err := ticket.Parse("f", data, ticket.Options{Keys: shopKeys()})
		if used := allocated() - before; used > 512<<20 {
			t.Errorf("%d bytes took %d MiB", len(data), used>>20)
		}
		if err != nil {
			checkError(t, err)
			return
		}
		if again, _ := ticket.Parse("f", data, ticket.Options{Keys: shopKeys()}); !reflect.DeepEqual(doc, again) {
			t.Errorf("two readings differ: %+v and %+v", doc, again)
		}
		checkAgainstDecoder(t, data, doc.Format)
		checkEvents(t, doc)
	})
}

func checkError(t *testing.T, err error) {
	t.Helper()
	var e *ticket.Error
	if !errors.As(err, &e) {
		t.Fatalf("want an *Error, got %T: %v", err, err)
	}
	if e.File == "" || e.Field == "" || e.Want == "" || !strings.Contains(strings.Join(event.RejectKinds, " "), e.Kind) {
		t.Errorf("the error is not whole: %+v", *e)
	}
}

// checkAgainstDecoder makes sure that what is read here is also well-formed
// for encoding/xml, which resolves namespaces and matches tags by itself.
func checkAgainstDecoder(t *testing.T, data []byte, format string) {
	t.Helper()
	if format == ticket.FormatJSON || format == ticket.FormatPackage || !bytes.HasPrefix(data, []byte("<")) {
		return
	}
	d := xml.NewDecoder(bytes.NewReader(data))
	d.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil }
	for {
		_, err := d.Token()
		if err == io.EOF {
			return
		}
		if err != nil && !strings.Contains(err.Error(), "invalid UTF-8") { // Latin-1, which it is not told
			t.Fatalf("accepted here, but encoding/xml says %v", err)
		}
		if err != nil {
			return
		}
	}
}

// checkEvents makes sure that everything read can stand in the journal.
func checkEvents(t *testing.T, doc ticket.Document) {
	t.Helper()
	events, err := doc.Events(ticket.Target{Site: "north", Machine: "heron"})
	if err != nil {
		checkError(t, err)
		return
	}
	seen := map[string]bool{}
	for _, e := range events {
		if err := e.Data.Check(); err != nil {
			t.Errorf("%s: %v", e.Type, err)
		}
		if e.ID == "" || seen[e.ID] {
			t.Errorf("%s: id %q is empty or there twice", e.Type, e.ID)
		}
		seen[e.ID] = true
	}
}

func FuzzXJDF(f *testing.F) {
	in := append(seeds(f, "*.xjdf"), seeds(f, "edge/*.xjdf")...)
	fuzz(f, append(in, []byte(xjdf("", laminate))))
}

func FuzzJDF(f *testing.F) {
	in := append(seeds(f, "*.jdf"), []byte(jdf(partitioned, "", "", `<MediaLink rRef="M" Usage="Input"><Part SheetName="A"/></MediaLink>`, "")))
	fuzz(f, append(in, []byte(jdf("", "", "", "", `<AuditPool><ProcessRun TimeStamp="2026-03-03T08:30:00Z" Start="2026-03-03T08:00:00Z" End="2026-03-03T08:29:00Z" EndStatus="Completed"/></AuditPool>`))))
}

func FuzzXJMF(f *testing.F) {
	fuzz(f, append(seeds(f, "*.xjmf"), []byte(messages(resource("", `Unit="m"`, `<PartAmount Waste="1"><PartWaste Waste="0.5"/></PartAmount>`)))))
}

func FuzzJMF(f *testing.F) {
	fuzz(f, append(seeds(f, "*.jmf"), []byte(`<JMF xmlns="`+jdfSpace+`" TimeStamp="2026-03-03T08:00:00Z"><Signal Type="Resource"><ResourceInfo ResourceName="Media" Unit="m"><AmountPool><PartAmount Amount="0.25"><Part Condition="Waste"/></PartAmount></AmountPool></ResourceInfo></Signal></JMF>`)))
}

func FuzzZIP(f *testing.F) {
	in := append(seeds(f, "edge/*.zip"), pack(f), pack(f, entry{name: "a.xjdf", data: job("A")}, entry{name: "c.json", data: `{"job":"C"}`}))
	fuzz(f, append(in, pack(f, entry{name: "m.xjmf", data: submit("a.xjdf", "../x")}, entry{name: "a.xjdf", data: job("A")})))
}

func FuzzJSON(f *testing.F) {
	var in [][]byte
	for _, c := range agreement {
		in = append(in, []byte(c.text))
	}
	fuzz(f, in)
}
