package app

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"fmt"
	"net"
	"regexp"
	"runtime"
	"slices"
	"testing"
	"time"

	"rollwarden/rules/event"
)

// openPages is how many pages the benchmarks keep open: far more than a shop has
// screens.
const openPages = 500

// wall is a watch of three machines with room for that many pages of one client.
func wall(b testing.TB) *App {
	cfg := shopOf(b, 3)
	cfg.HTTP.Streams, cfg.HTTP.StreamsPerClient = openPages+10, openPages+10
	a := startApp(b, Options{Config: cfg})
	busyFloor(b, a)
	return a
}

// screens opens live pages by bare connections, which cost next to nothing on
// their own side, so that what is measured is the watch.
func screens(b testing.TB, a *App, n int) []net.Conn {
	b.Helper()
	list := make([]net.Conn, n)
	for i := range list {
		c, err := net.Dial("tcp", a.http.Addr().String())
		fail(b, err)
		b.Cleanup(func() { c.Close() })
		fail(b, c.SetDeadline(time.Now().Add(10*time.Minute)))
		fmt.Fprintf(c, "GET /stream?page=board&lang=en HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
		list[i] = c
	}
	return list
}

// held is the memory that is in use after a collection, in bytes.
func held() float64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.GC() // what the first one only finalized
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc + m.StackInuse)
}

// BenchmarkMemoryOfAPage opens 500 live pages of one watch and reports what each
// holds: the heap and the stacks of the process, in which the other ends of the
// connections are counted too.
func BenchmarkMemoryOfAPage(b *testing.B) {
	a := wall(b)
	var each float64
	for b.Loop() {
		before := held()
		list := screens(b, a, openPages)
		for _, c := range list {
			readUntil(b, bufio.NewReaderSize(c, 64), "event: beat")
		}
		each = (held() - before) / openPages
		for _, c := range list {
			c.Close()
		}
	}
	b.ReportMetric(each, "B/page")
}

func readUntil(b testing.TB, r *bufio.Reader, want string) {
	for {
		line, err := r.ReadSlice('\n')
		if bytes.Contains(line, []byte(want)) {
			return
		}
		if err != nil && err != bufio.ErrBufferFull {
			b.Error(err)
			return
		}
	}
}

// BenchmarkEventToPage publishes an event and takes the time until its part of
// the page is there, on each of 500 open pages. Painting waits for up to 100 ms
// after the one before, so that views that pour in are painted together; here
// each event comes alone.
func BenchmarkEventToPage(b *testing.B) {
	a := wall(b)
	list := screens(b, a, openPages)
	readers := make([]*bufio.Reader, len(list))
	for i, c := range list {
		readers[i] = bufio.NewReaderSize(c, 64<<10)
		readUntil(b, readers[i], "event: beat")
	}
	var all []time.Duration
	for i := 0; b.Loop(); i++ {
		rh := 30 + i%60
		want := fmt.Sprintf("%d %% humidity", rh)
		arrived := make(chan time.Duration, len(list))
		began := time.Now()
		for _, r := range readers {
			go func() { readUntil(b, r, want); arrived <- time.Since(began) }()
		}
		fail(b, a.journals[0].Publish(b.Context(), say("m0", began, "climate.read", &event.ClimateRead{RHPct: f(float64(rh))})))
		for range list {
			all = append(all, <-arrived)
		}
		time.Sleep(150 * time.Millisecond) // the next one comes alone
	}
	slices.Sort(all)
	b.ReportMetric(float64(all[len(all)/2].Microseconds())/1e3, "p50-ms")
	b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1e3, "p99-ms")
}

// BenchmarkFirstLoad fetches the board with everything that a browser loads
// beside it, and reports its size as it is sent and as a proxy could press it.
func BenchmarkFirstLoad(b *testing.B) {
	a := wall(b)
	v := visit(b, a)
	var plain, pressed int
	for b.Loop() {
		plain, pressed = 0, 0
		count := func(text string) {
			var z bytes.Buffer
			w := gzip.NewWriter(&z)
			_, err := w.Write([]byte(text))
			fail(b, err)
			fail(b, w.Close())
			plain, pressed = plain+len(text), pressed+z.Len()
		}
		page := v.get("/").wants(b, 200).body
		count(page)
		paths := regexp.MustCompile(`/assets/[^"]+`).FindAllString(page, -1)
		slices.Sort(paths)
		for _, path := range slices.Compact(paths) {
			count(v.get(path).wants(b, 200).body)
		}
	}
	b.ReportMetric(float64(plain)/1e3, "kB")
	b.ReportMetric(float64(pressed)/1e3, "gzip-kB")
}

// BenchmarkPaintingOfFifty draws the board of a shop of 50 machines, each with an
// alarm, a run and five more in its queue, as the hub does for each new view.
func BenchmarkPaintingOfFifty(b *testing.B) {
	for _, lang := range []string{"en", "de"} {
		b.Run(lang, func(b *testing.B) {
			cfg := shopOf(b, 50)
			cfg.Shop.Language = lang
			a := startApp(b, Options{Config: cfg})
			at := time.Now()
			var events []event.Event
			for i := range 50 {
				m := fmt.Sprint("m", i)
				events = append(events, loaded(m, at, 0)...)
				for k := range 6 {
					events = append(events, say(m, at, "ticket.received", ticketFor(fmt.Sprint("KL-", k))))
				}
				events = append(events, say(m, at, "run.started", &event.RunStarted{Run: event.Run{Job: "KL-0"}}))
			}
			publish(b, a, events...)
			v := visit(b, a)
			for b.Loop() {
				v.get("/").wants(b, 200)
			}
		})
	}
}
