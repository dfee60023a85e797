package runlog

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestTheStateIsWrittenForGood looks at the system calls of a save: after a power cut
// a file has what was synced, and a folder the names that were (fsync(2), rename(2)).
func TestTheStateIsWrittenForGood(t *testing.T) {
	if file := os.Getenv("RUNLOG_STATE"); file != "" { // this is the program that is looked at
		check(t, File(file).Save([]byte("{}")))
		return
	}
	dir := t.TempDir()
	calls := filepath.Join(dir, "calls.txt")
	cmd := exec.CommandContext(t.Context(), "strace", "-f", "-y", "-e", "trace=write,fsync,fdatasync,rename,renameat,renameat2", "-o", calls, os.Args[0], "-test.run=^TestTheStateIsWrittenForGood$")
	cmd.Env = append(os.Environ(), "RUNLOG_STATE="+filepath.Join(dir, "state", "0.json"))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	text, err := os.ReadFile(calls)
	check(t, err)
	var done []string
	for _, call := range regexp.MustCompile(`(write|fsync|fdatasync|rename\w*)\(.*`).FindAllString(string(text), -1) {
		if name, what, _ := strings.Cut(call, "("); strings.Contains(what, "/state") {
			done = append(done, strings.TrimSuffix(name, "at")+" "+regexp.MustCompile(`/state[^">]*`).FindString(what))
		}
	}
	if got, want := strings.Join(done, ", "), "write /state/0.json.tmp, fsync /state/0.json.tmp, rename /state/0.json.tmp, fsync /state"; got != want {
		t.Errorf("want %s\ngot  %s\n%s", want, got, text)
	}
}
