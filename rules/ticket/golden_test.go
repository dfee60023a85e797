package ticket_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

const samples = "../../testdata/tickets"

// filmSpace is the namespace of the sample shop's own attributes.
const filmSpace = "https://kettle-crane.example/ns/film/1"

// shopKeys is the key map of the sample shop.
func shopKeys() ticket.KeyMap {
	return ticket.KeyMap{
		"passes": {{Attribute: "{" + filmSpace + "}PassCount"}, {GeneralID: "kc:PrintPasses"}},
		"cure_c": {{Attribute: "{" + filmSpace + "}CureTemperatureC"}},
		"rest_s": {{Attribute: "OutgasTime"}},
	}
}

func read(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(samples, name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// golden is what a person expects after reading a sample. The files were
// written by hand and no test rewrites them.
type golden struct {
	Format  string `json:"format"`
	Tickets []struct {
		DeviceIDs  []string             `json:"device_ids"`
		Data       event.TicketReceived `json:"data"`
		FlagsAbout []string             `json:"flags_about"`
	} `json:"tickets"`
	Signals []struct {
		DeviceID string         `json:"device_id"`
		Time     time.Time      `json:"time"`
		Type     event.Type     `json:"type"`
		Data     jsontext.Value `json:"data"`
	} `json:"signals"`
	NotesAbout []string `json:"notes_about"`
}

func loadGolden(t *testing.T, name string) golden {
	t.Helper()
	var g golden
	if err := json.Unmarshal(read(t, filepath.Join("golden", name+".json")), &g, json.RejectUnknownMembers(true)); err != nil {
		t.Fatal(err)
	}
	return g
}

// TestGolden reads every sample and holds it against what a person read out
// of it. The samples are valid against the XJDF 2.2 and JDF 1.8 schemas.
func TestGolden(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(samples, "*.*"))
	if err != nil || len(files) != 9 {
		t.Fatalf("want 9 samples, got %d (%v)", len(files), err)
	}
	for _, file := range files {
		name := filepath.Base(file)
		t.Run(name, func(t *testing.T) {
			doc, err := ticket.Parse(name, read(t, name), ticket.Options{Keys: shopKeys()})
			if err != nil {
				t.Fatal(err)
			}
			compare(t, loadGolden(t, name), doc, name, read(t, name))
		})
	}
}

func compare(t *testing.T, want golden, got ticket.Document, source string, data []byte) {
	t.Helper()
	if got.Format != want.Format || len(got.Tickets) != len(want.Tickets) || len(got.Signals) != len(want.Signals) {
		t.Fatalf("got %s with %d tickets and %d signals, want %s with %d and %d", got.Format, len(got.Tickets), len(got.Signals), want.Format, len(want.Tickets), len(want.Signals))
	}
	for i, w := range want.Tickets {
		g := got.Tickets[i]
		about(t, "flag", g.Data.Flags, w.FlagsAbout)
		w.Data.SourceFile, w.Data.SourceSHA256 = source, hash(data)
		g.Data.Flags = nil
		if diff := cmp.Diff(w.Data, g.Data, cmpopts.EquateApprox(0, 5e-4)); diff != "" {
			t.Errorf("ticket %d (-want +got):\n%s", i, diff)
		}
		if diff := cmp.Diff(w.DeviceIDs, g.DeviceIDs); diff != "" {
			t.Errorf("devices (-want +got):\n%s", diff)
		}
	}
	for i, w := range want.Signals {
		g := got.Signals[i]
		kind, _ := event.KindOf(w.Type)
		data, err := event.DecodeData(kind, w.Data)
		if err != nil {
			t.Fatal(err)
		}
		if g.Type != w.Type || g.DeviceID != w.DeviceID || !g.Time.Equal(w.Time) {
			t.Errorf("signal %d: got %s of %s at %v, want %s of %s at %v", i, g.Type, g.DeviceID, g.Time, w.Type, w.DeviceID, w.Time)
		}
		if diff := cmp.Diff(data, g.Data, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
			t.Errorf("signal %d (-want +got):\n%s", i, diff)
		}
	}
	about(t, "note", got.Notes, want.NotesAbout)
}

// about checks that there is exactly one text for each thing to be said.
func about(t *testing.T, what string, texts, wanted []string) {
	t.Helper()
	if len(texts) != len(wanted) {
		t.Errorf("want %d %ss, got %q", len(wanted), what, texts)
	}
	for _, w := range wanted {
		n := 0
		for _, text := range texts {
			if strings.Contains(text, w) {
				n++
			}
		}
		if n != 1 {
			t.Errorf("want one %s about %q, got %d in %q", what, w, n, texts)
		}
	}
}

func hash(data []byte) string {
	h := sha256.Sum256(data)
	return hex.EncodeToString(h[:])
}

// TestEdge reads every file of the edge folder. What each is like says its
// name; the good ones hold the first sample in another form.
func TestEdge(t *testing.T) {
	base := loadGolden(t, "01-decals-print-contourcut.xjdf")
	zone := time.FixedZone("shop", 3600)
	good := map[string]func(*golden){
		"bom.xjdf":    func(*golden) {},
		"latin1.xjdf": func(*golden) {},
		"local-time.xjdf": func(g *golden) {
			g.Tickets[0].FlagsAbout = append(g.Tickets[0].FlagsAbout, "NodeInfo/@LastEnd has no time zone")
		},
		"no-jobpartid.xjdf": func(g *golden) { g.Tickets[0].Data.Part = "" },
		"package.zip":       func(g *golden) { g.Format = "package" },
	}
	bad := map[string]ticket.Error{
		"entity-bomb.xjdf": {Kind: "forbidden", Line: 2},
		"xxe.xjdf":         {Kind: "forbidden", Line: 2},
		"truncated.xjdf":   {Kind: "incomplete", Line: 57, Incomplete: true},
	}
	files, err := os.ReadDir(filepath.Join(samples, "edge"))
	if err != nil || len(files) != len(good)+len(bad) {
		t.Fatalf("want %d files, got %d (%v)", len(good)+len(bad), len(files), err)
	}
	for _, f := range files {
		t.Run(f.Name(), func(t *testing.T) {
			data := read(t, filepath.Join("edge", f.Name()))
			doc, err := ticket.Parse(f.Name(), data, ticket.Options{Keys: shopKeys(), Location: zone})
			if change, ok := good[f.Name()]; ok {
				if err != nil {
					t.Fatal(err)
				}
				want := base
				want.Tickets = append(want.Tickets[:0:0], want.Tickets...)
				change(&want)
				compareEdge(t, want, doc, f.Name(), data)
				return
			}
			want := bad[f.Name()]
			var got *ticket.Error
			if !errors.As(err, &got) {
				t.Fatalf("want an *Error, got %v", err)
			}
			if got.Kind != want.Kind || got.Line != want.Line || got.Incomplete != want.Incomplete || got.File != f.Name() {
				t.Errorf("want %+v, got %+v", want, *got)
			}
		})
	}
}

// compareEdge knows that a ticket in a package is known by its own name and
// content, so that the package can be packed again.
func compareEdge(t *testing.T, want golden, doc ticket.Document, name string, data []byte) {
	t.Helper()
	if want.Format == "package" {
		name += "!jobs/KC-2041.xjdf"
		data = inflate(t, data, "jobs/KC-2041.xjdf")
	}
	compare(t, want, doc, name, data)
}
