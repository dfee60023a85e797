package faults

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"
)

// kills is how often each of the two watches is killed.
func kills() int {
	if long() {
		return 1000
	}
	return 100
}

// A watch may be killed at any moment: between storing a ticket and moving its
// file, between an event and its acknowledgement, while it writes a snapshot,
// between a page and its receipt, and while it starts.
func TestKilledAtAnyPoint(t *testing.T) {
	seed := randomSeed(t)
	for i := range uint64(2) {
		t.Run(fmt.Sprint("shop ", i+1), func(t *testing.T) {
			t.Parallel()
			newKiller(t, rand.New(rand.NewPCG(seed, i))).run(kills())
		})
	}
}

// killer runs a shop and kills its watch again and again.
type killer struct {
	*shop
	rand    *rand.Rand
	hook    *receiver
	moments chan string
	hits    map[string]int
}

func newKiller(t *testing.T, r *rand.Rand) *killer {
	k := &killer{shop: newShop(t, paged), rand: r, hook: newReceiver(t), moments: make(chan string), hits: map[string]int{}}
	k.extra = k.hook.environ()
	k.hook.asked = func() { k.tells("asked"); time.Sleep(5 * time.Millisecond) }
	k.hook.done = func() { k.tells("answered") }
	return k
}

// tells the killer of a moment, if it looks.
func (k *killer) tells(what string) {
	select {
	case k.moments <- what:
	default:
	}
}

// point is a kind of moment at which a watch is killed: so long after something
// was seen.
type point struct {
	name string
	seen string        // the moment to wait for; empty for the start of the process
	most time.Duration // after it
}

var points = []point{
	{"as a file waits, is stored, or moves", "dropped", 250 * time.Millisecond},
	{"as an event is stored", "told", 5 * time.Millisecond},
	{"as a page is under way", "asked", 5 * time.Millisecond},
	{"as a page was taken", "answered", 5 * time.Millisecond},
	{"as a snapshot is written", "stop", 60 * time.Millisecond},
	{"as it starts", "", 400 * time.Millisecond},
}

// run kills so many watches while the floor works, and then proves that nothing
// came of it.
func (k *killer) run(n int) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	k.start()
	leave := make(chan struct{})
	var floor sync.WaitGroup
	for _, name := range machines {
		m := &machine{shop: k.shop, name: name, did: k.tells}
		floor.Go(func() {
			for m.load(ctx); ctx.Err() == nil; {
				select {
				case <-leave:
					return
				default:
					m.job(ctx)
				}
			}
		})
	}
	for range n {
		k.once(points[k.rand.IntN(len(points))])
	}
	close(leave)
	watchdog := time.AfterFunc(patience, stop)
	floor.Wait()
	if !watchdog.Stop() {
		k.tb.Errorf("the floor still waits for an alarm %s after the last kill", patience)
	}
	k.prove(k.hook)
	for _, name := range slices.Sorted(maps.Keys(k.hits)) {
		k.tb.Logf("%4d killed %s", k.hits[name], name)
	}
}

// once kills one watch at a point, and starts the next one.
func (k *killer) once(p point) {
	k.tb.Helper()
	after := time.Duration(k.rand.Int64N(int64(p.most)))
	switch p.seen {
	case "":
		k.kill()
		k.launch()
	case "stop":
		_ = k.now().process.Signal(syscall.SIGTERM)
	default:
		if !k.await(p.seen) {
			p.name = "while nothing happened"
		}
	}
	time.Sleep(after)
	k.hits[p.name]++
	k.killAny()
	k.start()
}

// killAny kills a watch that may have ended because it was asked to.
func (k *killer) killAny() {
	w := k.now()
	_ = w.process.Kill()
	<-w.ended
	k.mu.Lock()
	defer k.mu.Unlock()
	k.shop.watch = nil
}

// await waits for a moment, and not for ever.
func (k *killer) await(what string) bool {
	end := time.After(2 * time.Second)
	for {
		select {
		case seen := <-k.moments:
			if seen == what {
				return true
			}
		case <-end:
			return false
		}
	}
}
