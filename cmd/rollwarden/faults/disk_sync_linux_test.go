package faults

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestAcknowledgedMeansSynced watches the system calls of the real program: with
// nats.sync_always the file that holds an event is synced (fsync(2)) after the
// event was written into it and before its acknowledgement leaves, and without it
// nothing is. What the disk keeps of what it says that it has synced is the
// disk's to promise.
func TestAcknowledgedMeansSynced(t *testing.T) {
	for sync, want := range map[string]int{"true": syncedEvents, "false": 0} {
		t.Run("sync_always="+sync, func(t *testing.T) {
			t.Parallel()
			s := newShop(t, "nats: {sync_always: "+sync+"}\n")
			s.start()
			calls := s.traced(func() {
				for i := range syncedEvents {
					if !s.tell(t.Context(), "north/heron", "climate.read", syncedID(i), `{"rh_pct":50}`) {
						t.Fatal("an event was not acknowledged")
					}
				}
			})
			js, err := s.dial()
			s.must(err)
			entries, err := readJournal(t.Context(), js)
			s.must(err)
			got, seen := 0, 0
			for _, e := range entries {
				if !strings.HasPrefix(e.id, "synced-") {
					continue
				}
				seen++
				why := syncedBeforeAck(calls, e.id, e.seq)
				if why == "" {
					got++
				} else if want > 0 {
					t.Errorf("%s: %s", e.id, why)
				}
			}
			if seen != syncedEvents || got != want {
				t.Errorf("%d of %d events were synced before their acknowledgement, want %d of %d", got, seen, want, syncedEvents)
			}
		})
	}
}

const syncedEvents = 20

func syncedID(i int) string { return fmt.Sprintf("synced-%02d-end", i) }

// traced returns the system calls of the watch that write or sync, in the order in
// which they began and ended, while do runs.
func (s *shop) traced(do func()) []string {
	s.tb.Helper()
	out := s.path("calls.txt")
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, "strace", "-f", "-y", "-s", "4096", "-e", "trace=write,writev,pwrite64,fsync,fdatasync", "-o", out, "-p", strconv.Itoa(s.now().process.Pid))
	var said strings.Builder
	cmd.Stderr = &said
	s.must(cmd.Start())
	until(s.tb, "strace has all threads", func() (bool, string) {
		// It holds each thread for a moment when it attaches, so the first call
		// that it writes down shows that it listens.
		_, _, err := s.get("/healthz")
		text, _ := os.ReadFile(out)
		return err == nil && len(text) > 0, said.String()
	})
	do()
	s.must(cmd.Process.Signal(os.Interrupt)) // it lets go of the watch, which goes on
	_ = cmd.Wait()                           // its exit code is the signal's
	text, err := os.ReadFile(out)
	s.must(err)
	return strings.Split(string(text), "\n")
}

var (
	writesBlock = regexp.MustCompile(`^(\d+) +p?write(?:64|v)?\((\d+<[^>]*\.blk>)`)
	syncsBlock  = regexp.MustCompile(`^(\d+) +f(?:data)?sync\((\d+<[^>]*\.blk>)(\) += 0| <unfinished)`)
	syncsLater  = regexp.MustCompile(`^(\d+) +<\.\.\. f(?:data)?sync resumed>\) += 0`)
	writesNet   = regexp.MustCompile(`^\d+ +writev?\(\d+<(?:socket|TCP)`)
)

// syncedBeforeAck says what is wrong with the way of an event to its
// acknowledgement; empty when nothing is.
func syncedBeforeAck(calls []string, id string, seq uint64) string {
	file, synced, waits := "", false, map[string]bool{} // threads that are within a sync
	ack := fmt.Sprintf(`\"seq\":%d}`, seq)
	for _, call := range calls {
		if m := writesBlock.FindStringSubmatch(call); m != nil && strings.Contains(call, id) {
			file, synced = m[2], false
		}
		if m := syncsBlock.FindStringSubmatch(call); m != nil && m[2] == file && file != "" {
			if strings.HasSuffix(m[3], "unfinished") {
				waits[m[1]] = true
			} else {
				synced = true
			}
		}
		if m := syncsLater.FindStringSubmatch(call); m != nil && waits[m[1]] {
			delete(waits, m[1])
			synced = true
		}
		if writesNet.MatchString(call) && strings.Contains(call, ack) {
			switch {
			case file == "":
				return "acknowledged before it was written"
			case !synced:
				return "acknowledged before it was synced"
			}
			return ""
		}
	}
	return fmt.Sprintf("no acknowledgement seen (written to %q)", file)
}
