package pager

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

func TestPageIsSentOnceAndNoted(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall"}
		p, _ := running(t, Options{
			Channels: []Channel{hall}, Publish: journal.publish,
			Links: func(p Page) (string, string) { return "/floor/" + p.Machine, "/help/" + p.Hazard },
		})
		list := []Due{due("a1", "hall")}
		for range 3 { // the list is offered whenever it changes, and the receipt comes back late
			p.Offer(list)
			time.Sleep(time.Minute)
		}
		p.Offer(nil)
		synctest.Wait()
		equalLines(t, hall.alarms(), "a1")
		equalLines(t, journal.lines(), "sent a1 hall 1")

		if sent := hall.calls()[0].page; sent.BoardURL != "/floor/heron" || sent.RunbookURL != "/help/bare-edge" {
			t.Errorf("links %q and %q", sent.BoardURL, sent.RunbookURL)
		}
		receipt := journal.all()[0]
		if key := receipt.Data.(*event.PageSent).Key; key != hall.calls()[0].page.Key || key == "" {
			t.Errorf("receipt key %q, page key %q", key, hall.calls()[0].page.Key)
		}
		if got := receipt.Subject(); got != "floor.north.heron.page.sent" {
			t.Errorf("subject %q", got)
		}
		if err := receipt.Data.Check(); err != nil {
			t.Error(err)
		}
	})
}

// The receipts must be events that the contract's own decoder takes.
func TestReceiptsDecode(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: func(_ context.Context, try int, _ Page) error {
			if try == 1 {
				return errBusy
			}
			return nil
		}}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		p.Offer([]Due{due("a1", "hall")})
		time.Sleep(time.Minute)
		equalLines(t, journal.lines(), "failed a1 hall 1", "sent a1 hall 2")
		for _, e := range journal.all() {
			data, err := event.Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			back, err := event.Decode(event.Message{Subject: e.Subject(), Data: data, Stored: time.Now()})
			if err != nil || back.ID != e.ID || back.Data == nil {
				t.Errorf("decode %s: %v, %+v", e.Type, err, back)
			}
		}
	})
}

// The waits are those of a doubling series with a cap, worked out by hand: 2,
// 4, 8, 16, 32 and 64 s make 126 s, then 120 s each. Another 28 of those fit
// within 3600 s, so there are 1 + 6 + 28 = 35 tries and the last is at 3486 s.
func TestRetriesBackOffAndGiveUp(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: fails(errBusy)}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish, Backoff: Backoff{Jitter: -1}})
		start := time.Now()
		p.Offer([]Due{due("a1", "hall")})
		time.Sleep(3 * time.Hour)

		calls := hall.calls()
		if len(calls) != 35 {
			t.Fatalf("%d tries, want 35", len(calls))
		}
		for i, want := range []int{0, 2, 6, 14, 30, 62, 126, 246} {
			if got := calls[i].at.Sub(start); got != time.Duration(want)*time.Second {
				t.Errorf("try %d at %s, want %d s", i+1, got, want)
			}
		}
		if got := calls[34].at.Sub(start); got != 3486*time.Second {
			t.Errorf("last try at %s, want 3486 s", got)
		}
		events := journal.all()
		for i, e := range events {
			failed := e.Data.(*event.PageFailed)
			if int(failed.Attempt) != i+1 || failed.Final != (i == 34) {
				t.Errorf("receipt %d: attempt %g, final %t", i+1, failed.Attempt, failed.Final)
			}
			if !strings.Contains(failed.Reason, "busy") {
				t.Errorf("receipt %d: reason %q", i+1, failed.Reason)
			}
		}
		if last := events[len(events)-1].Data.(*event.PageFailed); !strings.HasPrefix(last.Reason, "given up after 35 tries in 58m6s") {
			t.Errorf("last reason %q", last.Reason)
		}
	})
}

func TestJitterStaysWithinItsShare(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: fails(errBusy)}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish, Backoff: Backoff{Initial: 10 * time.Second, Multiplier: 1, Max: 10 * time.Second, Jitter: 0.3}})
		p.Offer([]Due{due("a1", "hall")})
		time.Sleep(30 * time.Minute)
		calls := hall.calls()
		gaps := make(map[time.Duration]bool)
		for i := 1; i < len(calls); i++ {
			gap := calls[i].at.Sub(calls[i-1].at)
			gaps[gap] = true
			if gap < 7*time.Second || gap > 13*time.Second+time.Millisecond {
				t.Errorf("gap %d is %s, want 7 s to 13 s", i, gap)
			}
		}
		if len(gaps) < 10 {
			t.Errorf("%d different gaps in %d tries: no jitter", len(gaps), len(calls))
		}
	})
}

func TestAttemptsGoOnAfterRestart(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: func(_ context.Context, try int, _ Page) error {
			if try < 3 {
				return errBusy
			}
			return nil
		}}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		d := due("a1", "hall")
		d.Attempts = 4
		p.Offer([]Due{d})
		time.Sleep(time.Minute)
		equalLines(t, journal.lines(), "failed a1 hall 5", "failed a1 hall 6", "sent a1 hall 7")
	})
}

func TestPermanentErrorIsFinalAtOnce(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: fails(fmt.Errorf("hall: %w", Permanent(errors.New("bad address"))))}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		p.Offer([]Due{due("a1", "hall")})
		time.Sleep(2 * time.Hour)
		equalLines(t, hall.alarms(), "a1")
		equalLines(t, journal.lines(), "final a1 hall 1")
	})
}

// The contract wants a reason, whatever a channel returns.
func TestErrorWithoutWordsHasAReason(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: fails(Permanent(errors.New("\n")))}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		p.Offer([]Due{due("a1", "hall")})
		synctest.Wait()
		equalLines(t, journal.lines(), "final a1 hall 1")
	})
}

func TestUnknownChannelFailsForGoodAndSaysSo(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		p, _ := running(t, Options{Publish: journal.publish})
		d := due("a1", "old-pager")
		d.Attempts = 2
		p.Offer([]Due{d})
		synctest.Wait()
		equalLines(t, journal.lines(), "final a1 old-pager 3")
		if reason := journal.all()[0].Data.(*event.PageFailed).Reason; !strings.Contains(reason, "no channel of this name is configured") {
			t.Errorf("reason %q", reason)
		}
	})
}

// A request to wait is about the sender, so the next page waits too. 429 is
// "the user has sent too many requests" (RFC 6585 section 4).
func TestRetryAfterHoldsTheChannel(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: func(_ context.Context, try int, _ Page) error {
			if try == 1 {
				return RetryAfter(errBusy, 90*time.Second)
			}
			return nil
		}}
		yard := &fakeChannel{name: "yard"}
		p, _ := running(t, Options{Channels: []Channel{hall, yard}, Publish: journal.publish})
		start := time.Now()
		p.Offer([]Due{due("a1", "hall"), due("a2", "hall"), due("a2", "yard")})
		time.Sleep(time.Minute)
		if n := len(hall.calls()); n != 1 {
			t.Fatalf("%d tries within the wait, want 1", n)
		}
		if n := len(yard.calls()); n != 1 {
			t.Errorf("the other channel was tried %d times, want 1", n)
		}
		time.Sleep(time.Minute)
		equalLines(t, hall.alarms(), "a1", "a1", "a2")
		if got := hall.calls()[1].at.Sub(start); got != 90*time.Second {
			t.Errorf("second try after %s, want 90 s", got)
		}
	})
}

// Who asks for a day gets five minutes: another page may be due by then, and the
// next try may be taken.
func TestNobodyHoldsAChannelForLong(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: fails(RetryAfter(errBusy, 24*time.Hour))}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish, Backoff: Backoff{Jitter: -1, Max: time.Second}, GiveUpAfter: 12 * time.Minute})
		start := time.Now()
		p.Offer([]Due{due("a1", "hall")})
		time.Sleep(30 * time.Minute)
		equalLines(t, journal.lines(), "failed a1 hall 1", "failed a1 hall 2", "final a1 hall 3")
		for i, c := range hall.calls() {
			if want := time.Duration(i) * 5 * time.Minute; c.at.Sub(start) != want {
				t.Errorf("try %d after %s, want %s", i+1, c.at.Sub(start), want)
			}
		}
		p.Offer([]Due{due("a2", "hall")})
		synctest.Wait()
		if n := len(hall.calls()); n != 4 {
			t.Errorf("%d tries, want one at once for the next page", n)
		}
	})
}

// The journal is down for a while: the page went out, so it must not go out
// again, and its receipt must get there in the end.
func TestReceiptIsRetriedAndThePageIsNot(t *testing.T) {
	for name, stored := range map[string]bool{"not stored": false, "stored but reported failed": true} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T) {
				journal := fakeJournal{fault: func(call int) (bool, error) {
					if call <= 5 {
						return stored, errors.New("journal is down")
					}
					return false, nil
				}}
				hall := &fakeChannel{name: "hall"}
				p, stop := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
				for range 20 {
					p.Offer([]Due{due("a1", "hall")})
					time.Sleep(time.Minute)
				}
				equalLines(t, hall.alarms(), "a1")
				equalLines(t, journal.lines(), "sent a1 hall 1")
				if journal.calls != 6 {
					t.Errorf("%d publishes, want 6", journal.calls)
				}
				if err := stop(); err != nil {
					t.Errorf("Run: %v", err)
				}
			})
		})
	}
}

func TestReceiptsAreWrittenInOrderAndInGroups(t *testing.T) {
	bubble(t, func(t *testing.T) {
		journal := fakeJournal{fault: func(int) (bool, error) {
			time.Sleep(time.Second) // a slow disk
			return false, nil
		}}
		hall := &fakeChannel{name: "hall"}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		var list []Due
		var want []string
		for i := range 200 {
			id := fmt.Sprintf("a%03d", i)
			list = append(list, due(id, "hall"))
			want = append(want, "sent "+id+" hall 1")
		}
		p.Offer(list)
		time.Sleep(time.Minute)
		equalLines(t, journal.lines(), want...)
		if journal.calls > 6 { // the first receipts, and then at most 64 at once
			t.Errorf("%d publishes for 200 receipts", journal.calls)
		}
	})
}

// A journal that stays down must not fill the memory, but what was decided is
// kept.
func TestFullQueueKeepsWhatWasDecided(t *testing.T) {
	r := newReceipts(Options{})
	receipt := func(i int, data event.Payload) event.Event {
		return event.Event{ID: fmt.Sprint(i), Site: "north", Machine: "heron", Data: data}
	}
	for i := range maxReceipts + 5 {
		r.add(receipt(i, &event.PageFailed{Alarm: "a", Channel: "hall", Attempt: 1, Reason: "busy"}))
	}
	r.add(receipt(-1, &event.PageFailed{Alarm: "a", Channel: "hall", Attempt: 1, Reason: "busy", Final: true}))
	r.add(receipt(-2, &event.PageSent{Alarm: "a", Channel: "hall", Attempt: 1}))
	if n := r.waiting(); n != maxReceipts+2 || r.queue[n-2].ID != "-1" || r.queue[n-1].ID != "-2" {
		t.Errorf("%d receipts wait, want %d and the two decisions", n, maxReceipts+2)
	}
}

// At least once: the process ends between sending and journalling. The page is
// still due at the next start, and the receiver can tell by the key.
func TestCrashBetweenSendAndReceipt(t *testing.T) {
	bubble(t, func(t *testing.T) {
		down := fakeJournal{fault: func(int) (bool, error) { return false, errors.New("journal is down") }}
		hall := &fakeChannel{name: "hall"}
		first, stop := running(t, Options{Channels: []Channel{hall}, Publish: down.publish})
		first.Offer([]Due{due("a1", "hall")})
		synctest.Wait()
		if err := stop(); err == nil || !strings.Contains(err.Error(), "1 receipts did not reach the journal") {
			t.Errorf("Run: %v, want the number of lost receipts", err)
		}

		var journal fakeJournal
		second, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		second.Offer([]Due{due("a1", "hall")})
		synctest.Wait()
		calls := hall.calls()
		if len(calls) != 2 || calls[0].page.Key != calls[1].page.Key {
			t.Fatalf("want two sends with one key, got %+v", calls)
		}
		equalLines(t, journal.lines(), "sent a1 hall 1")
	})
}

func TestKeysTellPagesApart(t *testing.T) {
	keys := map[string]bool{}
	for _, pair := range [][2]string{{"a1", "hall"}, {"a1", "yard"}, {"a2", "hall"}, {"a1h", "all"}, {"a", "1hall"}} {
		keys[IdempotencyKey(pair[0], pair[1])] = true
	}
	if len(keys) != 5 {
		t.Errorf("%d keys for 5 pages", len(keys))
	}
}

func TestDeadChannelDelaysNoOther(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		dead := &fakeChannel{name: "dead", answer: hangs}
		hall := &fakeChannel{name: "hall"}
		p, _ := running(t, Options{Channels: []Channel{dead, hall}, Publish: journal.publish})
		start := time.Now()
		var list []Due
		for i := range 50 {
			list = append(list, due(fmt.Sprintf("a%d", i), "dead"), due(fmt.Sprintf("a%d", i), "hall"))
		}
		p.Offer(list)
		synctest.Wait()
		calls := hall.calls()
		if len(calls) != 50 || calls[49].at != start {
			t.Fatalf("%d of 50 pages went out at once", len(calls))
		}
		if n := len(dead.calls()); n != 1 {
			t.Errorf("%d tries on the dead channel, want 1 under way", n)
		}
		time.Sleep(31 * time.Second) // one try takes at most TryTimeout
		if got := journal.all()[50].Data.(*event.PageFailed); got.Attempt != 1 || got.Final {
			t.Errorf("receipt of the dead channel: %+v", got)
		}
	})
}

// Time stands still in the bubble for as long as anything can go on, so any
// waiting for a channel or for the journal would show.
func TestOfferNeverBlocks(t *testing.T) {
	bubble(t, func(t *testing.T) {
		blocked := func(ctx context.Context, _ ...event.Event) error {
			<-ctx.Done()
			return ctx.Err()
		}
		dead := &fakeChannel{name: "dead", answer: hangs}
		hall := &fakeChannel{name: "hall"}
		p, _ := running(t, Options{Channels: []Channel{dead, hall}, Publish: blocked})
		list := make([]Due, 10_000)
		for i := range list {
			list[i] = due(fmt.Sprintf("a%d", i), []string{"dead", "hall"}[i%2])
		}
		start := time.Now()
		for range 5 {
			p.Offer(list)
			p.Active([]Page{{AlarmID: "a1"}})
		}
		if waited := time.Since(start); waited != 0 {
			t.Errorf("Offer waited %s", waited)
		}
		synctest.Wait()
		if n := len(hall.calls()); n != 5000 {
			t.Errorf("%d of 5000 pages went out", n)
		}
	})
}

func TestOfferBeforeRun(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall"}
		p, err := New(Options{Channels: []Channel{hall}, Publish: journal.publish})
		if err != nil {
			t.Fatal(err)
		}
		p.Offer([]Due{due("a1", "hall")})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- p.Run(ctx) }()
		synctest.Wait()
		equalLines(t, journal.lines(), "sent a1 hall 1")
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

func TestUnlistedPagesAreDropped(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: fails(errBusy)}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		p.Offer([]Due{due("a1", "hall")})
		synctest.Wait()
		p.Offer(nil)
		time.Sleep(2 * time.Hour)
		equalLines(t, journal.lines(), "failed a1 hall 1")
		if s := p.Status()[0]; s.Waiting != 0 || !s.NextTry.IsZero() {
			t.Errorf("status %+v", s)
		}
	})
}

// The list drops a page and has it again while it is being sent: that is
// still one page, and the next page of its alarm must not wait for ever.
func TestDroppedAndListedAgainWhileUnderWay(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: func(context.Context, int, Page) error {
			time.Sleep(5 * time.Second)
			return nil
		}}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		raised := due("a1", "hall")
		cleared := Due{AlarmID: "a2", Channel: "hall", Event: alarm("a2", func(a *event.AlarmChanged) { a.Job, a.Emit = "a1", "clear" })}
		p.Offer([]Due{raised})
		synctest.Wait()
		p.Offer(nil)
		p.Offer([]Due{raised, cleared})
		time.Sleep(time.Minute)
		equalLines(t, hall.alarms(), "a1", "a2")
		equalLines(t, journal.lines(), "sent a1 hall 1", "sent a2 hall 1")
	})
}

func TestPagesOfOneAlarmGoOutInOrder(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: func(_ context.Context, try int, p Page) error {
			if p.AlarmID == "raised" && try <= 3 {
				return errBusy
			}
			return nil
		}}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		p.Offer([]Due{
			{AlarmID: "raised", Channel: "hall", Event: alarm("raised", nil)},
			{AlarmID: "cleared", Channel: "hall", Event: alarm("cleared", func(a *event.AlarmChanged) { a.Emit = "clear" })},
			{AlarmID: "other", Channel: "hall", Event: alarm("other", func(a *event.AlarmChanged) { a.Job = "K-102" })},
		})
		time.Sleep(time.Minute)
		equalLines(t, journal.lines(), "failed raised hall 1", "sent other hall 1",
			"failed raised hall 2", "sent raised hall 3", "sent cleared hall 1")
	})
}

func TestUrgentPagesGoFirst(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall"}
		p, err := New(Options{Channels: []Channel{hall}, Publish: journal.publish})
		if err != nil {
			t.Fatal(err)
		}
		var list []Due
		for i, priority := range []string{"low", "medium", "high", "low", "high"} {
			id := fmt.Sprintf("%s%d", priority, i)
			list = append(list, Due{AlarmID: id, Channel: "hall", Event: alarm(id, func(a *event.AlarmChanged) { a.Job, a.Priority = id, priority })})
		}
		p.Offer(list)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := p.Run(ctx); err != nil {
			t.Fatal(err)
		}
		equalLines(t, hall.alarms(), "high2", "high4", "medium1", "low0", "low3")
	})
}

func TestStoppingWaitsForWhatIsUnderWay(t *testing.T) {
	for range 100 { // the last receipt races with the end of the workers
		bubble(t, func(t *testing.T) {
			var journal fakeJournal
			hall := &fakeChannel{name: "hall", answer: func(context.Context, int, Page) error {
				time.Sleep(2 * time.Second)
				return nil
			}}
			p, stop := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
			p.Offer([]Due{due("a1", "hall"), due("a2", "hall")})
			synctest.Wait()
			if err := stop(); err != nil {
				t.Error(err)
			}
			equalLines(t, journal.lines(), "sent a1 hall 1") // and a2 stays due
		})
	}
}

func TestStoppingEndsAfterTheGrace(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: hangs}
		p, stop := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish, Grace: 3 * time.Second})
		p.Offer([]Due{due("a1", "hall")})
		synctest.Wait()
		start := time.Now()
		if err := stop(); err != nil {
			t.Error(err)
		}
		if took := time.Since(start); took != 3*time.Second {
			t.Errorf("stopping took %s, want the grace of 3 s", took)
		}
		equalLines(t, journal.lines()) // stopped, not failed
	})
}

func TestBrokenEventIsGivenUpAndBlocksNoOther(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall"}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish})
		noData := due("a1", "hall")
		noData.Event.Data = nil
		noSite := due("a2", "hall")
		noSite.Event.Site = "" // its receipt has no subject and can never be journalled
		p.Offer([]Due{noData, noSite, due("a3", "hall")})
		time.Sleep(time.Hour)
		equalLines(t, hall.alarms(), "a2", "a3")
		equalLines(t, journal.lines(), "final a1 hall 1", "sent a3 hall 1")
	})
}

func TestStatusSaysWhenAndWhy(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		hall := &fakeChannel{name: "hall", answer: fails(errBusy)}
		p, _ := running(t, Options{Channels: []Channel{hall}, Publish: journal.publish, Backoff: Backoff{Jitter: -1}})
		p.Offer([]Due{due("a1", "hall")})
		synctest.Wait()
		want := Status{Channel: "hall", Waiting: 1, NextTry: time.Now().Add(2 * time.Second), Reason: "busy"}
		if got := p.Status(); len(got) != 2 || got[0] != want || got[1].Channel != LogName {
			t.Errorf("got %+v, want %+v and the log", got, want)
		}
	})
}

func TestLogChannelIsAlwaysThere(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		var out bytes.Buffer
		p, stop := running(t, Options{Publish: journal.publish, Log: zerolog.New(zerolog.SyncWriter(&out)).Level(zerolog.InfoLevel)})
		p.Offer([]Due{due("a1", LogName)})
		synctest.Wait()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		equalLines(t, journal.lines(), "sent a1 log 1")
		for _, want := range []string{`"level":"warn"`, `"hazard":"bare-edge"`, `"machine":"heron"`, "Bare leading edge"} {
			if !strings.Contains(out.String(), want) {
				t.Errorf("log %s lacks %s", out.String(), want)
			}
		}
	})
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	publish := func(context.Context, ...event.Event) error { return nil }
	for name, o := range map[string]Options{
		"no publish":     {},
		"same name":      {Publish: publish, Channels: []Channel{&fakeChannel{name: "hall"}, &fakeChannel{name: "hall"}}},
		"name of log":    {Publish: publish, Channels: []Channel{&fakeChannel{name: LogName}}},
		"without a name": {Publish: publish, Channels: []Channel{&fakeChannel{}}},
	} {
		if p, err := New(o); err == nil || p != nil {
			t.Errorf("%s: want an error", name)
		}
	}
}

// fakeLevel is a channel that also wants the whole set.
type fakeLevel struct {
	fakeChannel
	answer func(call int) error
	told   []string // "<seconds since start>: <alarm ids>"
	start  time.Time
}

func (c *fakeLevel) Every() time.Duration { return time.Minute }

func (c *fakeLevel) Level(_ context.Context, active []Page) error {
	var ids []string
	for _, p := range active {
		ids = append(ids, p.AlarmID+p.BoardURL)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.told = append(c.told, fmt.Sprintf("%.0f: %s", time.Since(c.start).Seconds(), strings.Join(ids, " ")))
	if c.answer != nil {
		return c.answer(len(c.told))
	}
	return nil
}

func (c *fakeLevel) lines() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.told)
}

func TestActiveSetIsToldOnChangeAndAgain(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		wall := &fakeLevel{fakeChannel: fakeChannel{name: "wall"}, start: time.Now()}
		p, _ := running(t, Options{
			Channels: []Channel{wall}, Publish: journal.publish,
			Links: func(p Page) (string, string) { return "@" + p.Machine, "" },
		})
		time.Sleep(10 * time.Minute)
		equalLines(t, wall.lines()) // nothing is known, so nothing is said
		a, b := Page{AlarmID: "a", Machine: "heron"}, Page{AlarmID: "b", Machine: "wren"}
		p.Active([]Page{a})
		time.Sleep(90 * time.Second)
		p.Active([]Page{a}) // no change, no message
		time.Sleep(10 * time.Second)
		p.Active([]Page{a, b})
		time.Sleep(65 * time.Second)
		b.Priority = "high"
		p.Active([]Page{a, b})
		time.Sleep(time.Second)
		p.Active(nil)
		synctest.Wait()
		equalLines(t, wall.lines(), "600: a@heron", "660: a@heron", "700: a@heron b@wren", "760: a@heron b@wren",
			"765: a@heron b@wren", "766: ")
	})
}

func TestActiveSetIsRetriedSooner(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var journal fakeJournal
		wall := &fakeLevel{fakeChannel: fakeChannel{name: "wall"}, start: time.Now(), answer: func(call int) error {
			switch call {
			case 1, 2:
				return errBusy
			case 4:
				return RetryAfter(errBusy, 90*time.Second)
			}
			return nil
		}}
		p, _ := running(t, Options{Channels: []Channel{wall}, Publish: journal.publish, Backoff: Backoff{Jitter: -1}})
		p.Active([]Page{{AlarmID: "a"}})
		time.Sleep(100 * time.Second)
		p.Offer(nil) // wakes the worker within the wait that was asked for
		time.Sleep(60 * time.Second)
		// 2 s and 4 s after the failures, a minute after the success, and not
		// before the 90 s that were asked for.
		equalLines(t, wall.lines(), "0: a", "2: a", "6: a", "66: a", "156: a")
		equalLines(t, journal.lines()) // the set is no page
	})
}

// shop is a model of everything around the pager: the journal's fold, which
// keeps the due list, and a world of receivers and failures drawn from a seed.
type shop struct {
	journal  fakeJournal
	alarms   []event.Event
	channels []string
}

func (s *shop) due() []Due {
	open := make(map[ref]int)
	for _, a := range s.alarms {
		for _, c := range s.channels {
			open[ref{a.ID, c}] = 0
		}
	}
	for _, e := range s.journal.all() {
		switch d := e.Data.(type) {
		case *event.PageSent:
			delete(open, ref{d.Alarm, d.Channel})
		case *event.PageFailed:
			r := ref{d.Alarm, d.Channel}
			if _, ok := open[r]; ok && d.Final {
				delete(open, r)
			} else if ok {
				open[r] = max(open[r], int(d.Attempt))
			}
		}
	}
	var list []Due
	for _, a := range s.alarms {
		for _, c := range s.channels {
			if attempts, ok := open[ref{a.ID, c}]; ok {
				list = append(list, Due{AlarmID: a.ID, Channel: c, Attempts: attempts, Event: a})
			}
		}
	}
	return list
}

// Over random failures of receivers and journal and over many restarts, no
// page is lost, none is taken twice within one process, and a page is taken
// twice over restarts only when its receipt was not in the journal.
func TestNoPageIsLostOverRestarts(t *testing.T) {
	for seed := range uint64(25) {
		bubble(t, func(t *testing.T) {
			random := rand.New(rand.NewPCG(seed, 1))
			faults := rand.New(rand.NewPCG(seed, 2)) // used under the journal's lock
			down := false
			world := &shop{channels: []string{"hall", "yard"}}
			world.journal.fault = func(int) (bool, error) {
				if down || faults.IntN(4) == 0 {
					return faults.IntN(2) == 0, errors.New("journal is down")
				}
				return false, nil
			}
			for i := range 12 {
				id := fmt.Sprintf("a%d", i)
				world.alarms = append(world.alarms, alarm(id, func(a *event.AlarmChanged) { a.Job = fmt.Sprint(i % 5) }))
			}
			taken := make(map[string]int) // successful sends by key, over all processes
			for process := 0; len(world.due()) > 0; process++ {
				if process > 200 {
					t.Fatalf("seed %d: %d pages are still due", seed, len(world.due()))
				}
				here := make(map[string]int)
				down = process%3 == 1
				unreceipted := make(map[string]bool)
				for _, d := range world.due() {
					unreceipted[IdempotencyKey(d.AlarmID, d.Channel)] = true
				}
				var channels []Channel
				for _, name := range world.channels {
					dice := rand.New(rand.NewPCG(seed, uint64(process)+uint64(len(name)*1000)+uint64(name[0])))
					channels = append(channels, &fakeChannel{name: name, answer: func(_ context.Context, _ int, p Page) error {
						time.Sleep(time.Duration(dice.IntN(3000)) * time.Millisecond)
						if dice.IntN(3) == 0 {
							return errBusy
						}
						world.journal.mu.Lock()
						defer world.journal.mu.Unlock()
						here[p.Key]++
						taken[p.Key]++
						if !unreceipted[p.Key] {
							t.Errorf("seed %d: page %s to %s went out although the journal shows it as sent", seed, p.AlarmID, name)
						}
						return nil
					}})
				}
				p, stop := running(t, Options{Channels: channels, Publish: world.journal.publish})
				for range 5 {
					p.Offer(world.due())
					time.Sleep(time.Duration(random.IntN(5000)) * time.Millisecond)
				}
				_ = stop() // with receipts lost or not
				for key, n := range here {
					if n > 1 {
						t.Errorf("seed %d: page %s was taken %d times in one process", seed, key, n)
					}
				}
			}
			if len(taken) != len(world.alarms)*len(world.channels) {
				t.Errorf("seed %d: %d pages taken, want %d", seed, len(taken), len(world.alarms)*len(world.channels))
			}
		})
	}
}

func BenchmarkOffer1000(b *testing.B) {
	publish := func(context.Context, ...event.Event) error { return nil }
	p, err := New(Options{Channels: []Channel{&fakeChannel{name: "hall"}, &fakeChannel{name: "yard"}}, Publish: publish})
	if err != nil {
		b.Fatal(err)
	}
	list := make([]Due, 1000)
	for i := range list {
		list[i] = due(fmt.Sprintf("a%d", i), []string{"hall", "yard"}[i%2])
	}
	b.Run("again", func(b *testing.B) {
		b.ReportAllocs()
		p.Offer(list)
		for b.Loop() {
			p.Offer(list)
		}
	})
	b.Run("afresh", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			p.Offer(list)
			p.Offer(nil)
		}
	})
}
