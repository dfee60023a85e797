package folder

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func dropInto(t *testing.T, dir string, names ...string) {
	t.Helper()
	for _, name := range names {
		file := filepath.Join(dir, filepath.FromSlash(name))
		check(t, os.MkdirAll(filepath.Dir(file), 0o755))
		check(t, os.WriteFile(file, []byte(good("order")), 0o644))
	}
}

// What nobody reads is found; what is read, put away, hidden or no ticket is not meant.
func TestStrays(t *testing.T) {
	dir := t.TempDir()
	dropInto(t, dir, "heron/in.json", "accepted/a.json", "rejected/b.xjdf", ".taking/c.json", ".watch/d.json", "direct.json",
		"plover/p.json", "plover/q.XJDF", "plover/accepted/old.json", "plover/.r.json", "plover/readme.txt",
		"pictures/cat.png", "quay/north/wren/in.json", "quay/s.json")
	got, err := Strays(dir, []string{dir, filepath.Join(dir, "heron"), filepath.Join(dir, "quay", "north", "wren"), "/elsewhere"})
	if err != nil {
		t.Fatal(err)
	}
	want := []Stray{{"plover", 2}, {"quay", 1}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	if text := got[1].String(); text != "folder quay belongs to no machine: 1 file waits" {
		t.Errorf("said %q", text)
	}
}

// A folder under the name of no machine is told of once, as long as its ticket waits.
func TestAStrayFolderIsToldOfOnce(t *testing.T) {
	inBubble(t, func(t *testing.T, r *rig) {
		dropInto(t, r.dir, "sub/in.json")
		var told []string
		r.o.Trouble = func(_ Inbox, why string) { told = append(told, why) }
		r.start()
		rest(10 * time.Minute)
		check(t, os.Remove(r.path("sub", "in.json")))
		rest(10 * time.Minute)
		r.stop()
		if len(told) != 2 || !strings.Contains(told[0], "folder sub belongs to no machine: 1 file waits; move") || told[1] != "" {
			t.Errorf("told %q, want the folder and its end", told)
		}
		if n := strings.Count(r.logged.String(), "folder sub belongs to no machine"); n != 1 {
			t.Errorf("logged %d times, want once:\n%s", n, r.logged.String())
		}
	})
}
