package rules_test

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/event"
)

// journals holds journals of every version of the event contract that there was,
// with what they add up to. Their week.ndjson is what the demo of that time left
// in its journal, and week.json what the program of that time made of it; the
// others are written and added up by hand. Files may be added, and totals to
// them; what is there stays as it is, which SHA256SUMS holds for the journals.
const journals = "../testdata/journals"

// totals are what a journal adds up to. A total that a file does not name is not
// compared, so that later ones can be added.
type totals struct {
	Entries   uint64                   `json:"entries"`
	Events    map[string]uint64        `json:"events"` // by type
	Unknown   uint64                   `json:"unknown"`
	Refused   uint64                   `json:"refused"`
	Copies    uint64                   `json:"copies"`
	Machines  map[string]machineTotals `json:"machines"`
	Warned    uint64                   `json:"strikes_with_alarm"`
	Unwarned  uint64                   `json:"strikes_without_alarm"`
	Anomalies map[string]uint64        `json:"anomalies"`
	Alarms    map[string]string        `json:"alarms"` // state, by machine, hazard and job
}

type machineTotals struct {
	Starts    uint64 `json:"starts"`
	Strikes   uint64 `json:"strikes"`
	Finished  uint64 `json:"finished"`
	PrintedM2 string `json:"printed_m2"` // to the thousandth
	WasteM2   string `json:"waste_m2"`
	Stock     string `json:"stock"`
	Queued    int    `json:"queued"`
}

func totalsOf(e *rules.Engine) totals {
	v := e.View(time.Time{})
	c := v.Floor.Counts
	t := totals{
		Entries: v.Seq, Events: map[string]uint64{}, Unknown: c.Unknown, Refused: c.Rejected["event"], Copies: c.Duplicate,
		Machines: map[string]machineTotals{}, Warned: v.Alarms.Totals.Warned, Unwarned: v.Alarms.Totals.Unwarned,
		Anomalies: map[string]uint64{}, Alarms: map[string]string{},
	}
	for kind, n := range c.Events {
		t.Events[string(kind)] = n
	}
	for kind, n := range v.Floor.Anomalies.Total {
		t.Anomalies[string(kind)] = n
	}
	for _, m := range v.Floor.Sorted() {
		tally, waste := m.Tally.Net(), 0.0
		for _, m2 := range tally.WasteM2 {
			waste += m2
		}
		place := m.Site + "/" + m.Name
		t.Machines[place] = machineTotals{
			tally.TotalStarts(), tally.TotalStrikes(), tally.Finished, fmt.Sprintf("%.3f", tally.PrintedM2), fmt.Sprintf("%.3f", waste), m.Roll.Stock, len(m.Queue),
		}
		for _, a := range v.Alarms.On(m.Site, m.Name) {
			t.Alarms[strings.TrimSpace(place+" "+a.Hazard+" "+event.JobName(a.Job, a.Part))] = string(a.State)
		}
	}
	return t
}

// message is one line of a journal.
type message struct {
	Seq     uint64              `json:"seq"`
	Stored  time.Time           `json:"stored"`
	Subject string              `json:"subject"`
	Header  map[string][]string `json:"header"`
	Data    string              `json:"data"`
}

// readJournal hands over the messages of a file.
func readJournal(t *testing.T, file string, take func(message)) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<22)
	for lines.Scan() {
		var m message
		if err := json.Unmarshal(lines.Bytes(), &m); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		take(m)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
}

func foldJournal(t *testing.T, file string) *rules.Engine {
	t.Helper()
	e := rules.New(shop(t, nil))
	readJournal(t, file, func(m message) {
		ev, err := event.Decode(event.Message{Subject: m.Subject, Header: m.Header, Data: []byte(m.Data), Stored: m.Stored})
		if err != nil {
			e.Refuse(m.Seq, m.Stored, m.Subject, err)
			return
		}
		e.Apply(m.Seq, ev)
	})
	return e
}

// TestOldJournalsStillCount folds each journal to the totals beside it.
func TestOldJournalsStillCount(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(journals, "*", "*.ndjson"))
	if err != nil || len(files) == 0 {
		t.Fatalf("%d journals, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimPrefix(file, journals+"/"), func(t *testing.T) {
			text, err := json.Marshal(totalsOf(foldJournal(t, file)))
			if err != nil {
				t.Fatal(err)
			}
			expected, err := os.ReadFile(strings.TrimSuffix(file, ".ndjson") + ".json")
			if err != nil {
				t.Fatal(err)
			}
			var got, want any
			if err := json.Unmarshal(text, &got); err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal(expected, &want); err != nil {
				t.Fatal(err)
			}
			missing(t, "", want, got)
		})
	}
}

// missing tells where something that is wanted is not there, or is another.
func missing(t *testing.T, path string, want, got any) {
	t.Helper()
	members, object := want.(map[string]any)
	if !object {
		if want != got {
			t.Errorf("%s: want %v, got %v", path, want, got)
		}
		return
	}
	there, _ := got.(map[string]any)
	for name, member := range members {
		missing(t, path+"/"+name, member, there[name])
	}
}

// TestOldJournalsAreKept wants every journal as it was when it came here, and
// every one of them listed.
func TestOldJournalsAreKept(t *testing.T) {
	sums, err := os.ReadFile(filepath.Join(journals, "SHA256SUMS"))
	if err != nil {
		t.Fatal(err)
	}
	listed := 0
	for line := range strings.Lines(string(sums)) {
		sum, name, _ := strings.Cut(strings.TrimSpace(line), "  ")
		text, err := os.ReadFile(filepath.Join(journals, name))
		if err != nil {
			t.Error(err)
		} else if got := fmt.Sprintf("%x", sha256.Sum256(text)); got != sum {
			t.Errorf("%s has changed: an old journal stays as it is", name)
		}
		listed++
	}
	files, err := filepath.Glob(filepath.Join(journals, "*", "*.ndjson"))
	if err != nil || len(files) != listed {
		t.Errorf("%d journals are listed and %d there, %v", listed, len(files), err)
	}
}

// TestEveryVersionHasAJournal wants one of the contract that is in force, so that
// none is forgotten when it grows.
func TestEveryVersionHasAJournal(t *testing.T) {
	for _, name := range []string{"week", "hand"} {
		if _, err := os.Stat(filepath.Join(journals, event.ContractVersion, name+".ndjson")); err != nil {
			t.Error(err)
		}
	}
}

// TestEveryStartIsInTheJournal adds the weeks up without the program: by the
// lines of the file alone.
func TestEveryStartIsInTheJournal(t *testing.T) {
	for _, version := range []string{"1.0.0", "1.1.0", "1.2.0"} {
		file := filepath.Join(journals, version, "week.ndjson")
		starts, strikes := map[string]uint64{}, map[string]uint64{}
		readJournal(t, file, func(m message) {
			switch parts := strings.Split(m.Subject, "."); strings.Join(parts[3:], ".") {
			case "run.started":
				starts[parts[1]+"/"+parts[2]]++
			case "strike.recorded":
				strikes[parts[1]+"/"+parts[2]]++
			}
		})
		for place, m := range totalsOf(foldJournal(t, file)).Machines {
			if m.Starts != starts[place] || m.Strikes != strikes[place] {
				t.Errorf("%s %s: %d starts and %d strikes, the file has %d and %d", version, place, m.Starts, m.Strikes, starts[place], strikes[place])
			}
		}
	}
}

// TestOldSnapshotIsIgnored leaves an engine as it is when a snapshot is of
// another version, so that the journal is folded instead.
func TestOldSnapshotIsIgnored(t *testing.T) {
	file := filepath.Join(journals, "1.1.0", "week.ndjson")
	e := foldJournal(t, file)
	state, err := e.Freeze().Encode()
	if err != nil {
		t.Fatal(err)
	}
	var s map[string]json.RawMessage
	if err := json.Unmarshal(state, &s); err != nil {
		t.Fatal(err)
	}
	var now int
	if err := json.Unmarshal(s["version"], &now); err != nil {
		t.Fatal(err)
	}
	for _, version := range []int{0, 1, now - 1, now + 1} {
		s["version"] = json.RawMessage(fmt.Sprint(version))
		other, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		fresh := rules.New(shop(t, nil))
		before, err := fresh.Freeze().Encode()
		if err != nil {
			t.Fatal(err)
		}
		if err := fresh.Restore(other); err == nil {
			t.Errorf("a snapshot of version %d was taken for one of %d", version, now)
		}
		if after, err := fresh.Freeze().Encode(); err != nil || !bytes.Equal(before, after) {
			t.Errorf("a snapshot of version %d left something behind, %v", version, err)
		}
	}
}
