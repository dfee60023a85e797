package faults

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// trial is a shop whose NATS somebody else runs, and whose floor goes on while
// the test hurts what lies between.
//
// On heron a bare edge comes and goes: the crew waits for the page of the alarm,
// advances the film, and waits for the page that calls it off. Wren reports waste
// and gets tickets without an end. So a missed alarm stops the trial, and what
// was lost or counts twice shows in the journal.
type trial struct {
	*shop
	t       *testing.T
	hook    *hook
	client  jetstream.JetStream // of the machines
	records jetstream.JetStream // where the test reads the journal, past all that is hurt
	said    int                 // events of heron
}

const heron, wren = "north/heron", "north/wren"

// newTrial starts a watch on the NATS server at an address. The machines find
// theirs at another, where something stands between, and the test the journal
// itself at a third.
func newTrial(t *testing.T, watchURL, clientURL, journalURL string, extra ...string) *trial {
	t.Helper()
	tr := &trial{t: t, shop: newShop(t, paged), hook: newHook(t), client: dialNATS(t, clientURL), records: dialNATS(t, journalURL)}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the receiver:\n%s", tr.hook)
		}
	})
	tr.extra = append(append(extra, tr.hook.environ()...),
		"ROLLWARDEN_NATS_URL="+watchURL, "ROLLWARDEN_NATS_USER=watch", "ROLLWARDEN_NATS_PASSWORD="+watchPassword)
	tr.start()
	tr.say("roll.loaded", `{"stock":"MONO-GLOSS-137","film_class":"monomeric","width_mm":1370,"length_m":50,"thickness_um":220}`)
	tr.clear()
	tr.must(tr.drop(heron, "KL-1042.json", ticket("KL-1042")))
	return tr
}

// say tells something of heron.
func (tr *trial) say(typ, data string) {
	tr.t.Helper()
	tr.said++
	tr.must(tr.report(heron, typ, fmt.Sprint("heron-", tr.said), data))
}

// report sends an event again under the same id until it is acknowledged, as
// every sender should.
func (tr *trial) report(machine, typ, id, data string) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	msg := message(machine, typ, id, data)
	for {
		once, stop := context.WithTimeout(ctx, time.Second)
		_, err := tr.client.PublishMsg(once, msg)
		stop()
		if err == nil {
			tr.mu.Lock()
			defer tr.mu.Unlock()
			tr.acked = append(tr.acked, id)
			return nil
		}
		select {
		case <-time.After(20 * time.Millisecond):
		case <-ctx.Done():
			return fmt.Errorf("event %s was not acknowledged: %w", id, err)
		}
	}
}

// work keeps wren busy until the function that it returns is called.
func (tr *trial) work(seed uint64) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	for who := range uint64(2) {
		all.Go(func() {
			rng := rand.New(rand.NewPCG(seed, who))
			for i := 0; ctx.Err() == nil; i++ {
				if err := tr.report(wren, "film.wasted", fmt.Sprintf("wren-%d-%d", who, i), `{"length_m":0.01,"cause":"trim"}`); err != nil {
					tr.t.Error(err)
					return
				}
				pause(ctx, rng, 40*time.Millisecond)
			}
		})
	}
	all.Go(func() {
		rng := rand.New(rand.NewPCG(seed, 2))
		for i := 2000; ctx.Err() == nil; i++ {
			job := fmt.Sprint("KL-", i)
			if err := tr.drop(wren, job+".json", ticket(job)); err != nil {
				tr.t.Error(err)
				return
			}
			pause(ctx, rng, 600*time.Millisecond)
		}
	})
	stop = sync.OnceFunc(func() { cancel(); all.Wait() })
	tr.t.Cleanup(stop)
	return stop
}

// pause waits for a random time, or until the context ends.
func pause(ctx context.Context, rng *rand.Rand, most time.Duration) {
	select {
	case <-time.After(time.Duration(rng.Int64N(int64(most)))):
	case <-ctx.Done():
	}
}

// risk lets a bare edge come and go, each time when the crew was told.
func (tr *trial) risk() {
	tr.t.Helper()
	told, off := tr.hook.count("heron", "annunciate"), tr.hook.count("heron", "clear")
	tr.bare()
	tr.paged("annunciate", told+1)
	tr.clear()
	tr.paged("clear", off+1)
}

// bare makes heron's edge bare, and clear brings it past the cure exit.
func (tr *trial) bare() {
	tr.t.Helper()
	tr.say("edge.moved", `{"position_mm":0,"cause":"rewind"}`)
}

func (tr *trial) clear() {
	tr.t.Helper()
	tr.say("edge.moved", `{"position_mm":400,"cause":"advance"}`)
}

// paged waits until heron's crew has so many pages of a kind.
func (tr *trial) paged(emit string, want int) {
	tr.t.Helper()
	until(tr.t, fmt.Sprintf("page %d of heron says %s", want, emit), func() (bool, string) {
		return tr.hook.count("heron", emit) >= want, tr.hook.String()
	})
}

// prove settles the watch, as shop.prove does, and holds the journal against all
// that the floor did.
func (tr *trial) prove() {
	tr.t.Helper()
	ev := evidence{metrics: tr.settle(), exits: cureExits(), channel: "webhook", received: tr.hook.received()}
	tr.mu.Lock()
	ev.acked, ev.files = tr.acked, tr.files
	tr.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	var journal []entry
	until(tr.t, "the journal can be read", func() (bool, string) {
		var err error // of a cluster that still moves its readers about
		journal, err = readJournal(ctx, tr.records)
		return err == nil, fmt.Sprint(err)
	})
	complain(tr.t, check(journal, ev))
	tr.hook.check()
	tr.t.Logf("%d entries, %d acknowledged events, %d files, %d pages, of which %d came again", len(journal), len(ev.acked), len(ev.files), len(ev.received), tr.hook.again())
}

// dice are a test's random numbers.
func dice(t *testing.T) *rand.Rand {
	t.Helper()
	return rand.New(rand.NewPCG(randomSeed(t), 0))
}
