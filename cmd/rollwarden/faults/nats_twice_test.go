package faults

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestStartedTwice starts a second watch in the folder of one that runs, with ports
// of its own, so that nothing but the folder stands between them. The second says
// who is there and what to do, and the first is not disturbed. What a killed one
// leaves behind keeps nobody out.
func TestStartedTwice(t *testing.T) {
	t.Parallel()
	s := newShop(t, "")
	s.start()
	first := s.now()
	out, err := s.again()
	if err == nil {
		t.Fatalf("a second watch runs in the same folder:\n%s", out)
	}
	for _, want := range []string{
		filepath.Join("data", "nats"), fmt.Sprintf("in use by another daemon (pid %d)", first.process.Pid),
		"stop that one or give this one its own folder",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("the second watch does not say %q:\n%s", want, out)
		}
	}
	if ok, seen := s.ready(); !ok {
		t.Errorf("the first watch was disturbed: %s", seen)
	}
	if !s.tell(t.Context(), heron, "climate.read", "climate-1", `{"rh_pct":50}`) {
		t.Error("the first watch takes no events any more")
	}
	s.kill()
	s.start()
	s.prove(nil)
}

// again runs a second watch until it ends, or for as long as it may take.
func (s *shop) again() (said string, err error) {
	s.tb.Helper()
	bin, err := program()
	s.must(err)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, bin, "run")
	cmd.Dir = s.dir
	cmd.Env = append([]string{"PATH=" + os.Getenv("PATH"), "ROLLWARDEN_NATS_LISTEN=127.0.0.1:0"}, s.extra...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) } // it ends well: no error
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// TestTwoWatchesOnOneTicketFolder starts a second watch, with a folder and a journal
// of its own, on the ticket folder of one that runs, as happens on a share. It ends
// and says why, and the first gets every ticket.
func TestTwoWatchesOnOneTicketFolder(t *testing.T) {
	t.Parallel()
	one, two := newShop(t, ""), newShop(t, "")
	one.start()
	one.must(one.drop(wren, "KL-3000.json", ticket("KL-3000")))
	one.settle() // it reads its folders
	two.extra = []string{"ROLLWARDEN_TICKETS_FOLDER=" + one.path("tickets")}
	for i := range 40 {
		job := fmt.Sprint("KL-", 3001+i)
		one.must(one.drop(wren, job+".json", ticket(job)))
	}
	out, err := two.again()
	if err == nil {
		t.Fatalf("a second watch reads the same tickets:\n%s", out)
	}
	for _, want := range []string{one.path("tickets"), fmt.Sprintf("is read by another watch (pid %d)", one.now().process.Pid), "stop that one"} {
		if !strings.Contains(out, want) {
			t.Errorf("the second watch does not say %q:\n%s", want, out)
		}
	}
	one.prove(nil)

	// When the first is gone, however it went, the second may.
	one.kill()
	two.start()
	one.must(one.drop(wren, "KL-3100.json", ticket("KL-3100")))
	until(t, "the second watch takes a ticket", func() (bool, string) { return one.waiting() == "", one.waiting() })
}
