package demo

import (
	"fmt"
	"math/rand/v2"
	"time"

	"rollwarden/rules/event"
)

// job is one run that the office plans.
type job struct {
	id       string
	site     string
	machine  string
	stock    string
	class    event.Class
	lengthM  float64
	copies   int
	passes   int
	cureC    float64
	inkPct   float64
	contour  bool
	laminate bool
	at       time.Time
	due      time.Time
	revision int
	format   string // xjdf, jdf, json or zip
}

// place is a machine of the shop, and how it moves film.
type place struct {
	site, name, device string
	exitMM, marginMM   float64
	swathMM, strokeS   float64
}

var places = []place{
	{"north", "heron", "KL-HERON", 330, 35, 54, 1.6},
	{"north", "wren", "KL-WREN", 360, 45, 54, 1.5},
	{"quay", "plover", "KL-PLOVER", 300, 35, 50, 1.4},
}

// stocks with how often they are asked for: most work goes on cheap film.
var stocks = []struct {
	code  string
	class event.Class
	share float64
}{
	{"MONO-GLOSS-137", event.Monomeric, 0.68},
	{"MONO-MATT-137", event.Monomeric, 0.12},
	{"POLY-GLOSS-137", event.Polymeric, 0.14},
	{"CAST-WRAP-152", event.Cast, 0.06},
}

const (
	runsADay  = 8
	widthMM   = 1370
	cutterMM  = 700 // where jobs are cut off, mm downstream of the print line
	rollM     = 50
	leaderUM  = 150
	marksMM   = 400
	startHour = 8
)

// planDay lists the jobs of a day, by machine and time. Jobs on one stock are
// planned together, since changing a roll costs time.
func planDay(rng *rand.Rand, day time.Time, n *int) []job {
	var jobs []job
	for _, p := range places {
		at := day.Add(startHour*time.Hour + time.Duration(10+rng.IntN(20))*time.Minute)
		stock := pick(rng)
		for k := range runsADay {
			if k > 0 && rng.Float64() < 0.25 {
				stock = pick(rng)
			}
			*n++
			j := newJob(rng, p, stock, *n, at)
			jobs = append(jobs, j)
			at = at.Add(j.takes(p)).Add(time.Duration(14+rng.IntN(12)) * time.Minute).Truncate(time.Minute)
		}
	}
	return jobs
}

func pick(rng *rand.Rand) int {
	u := rng.Float64()
	for i, s := range stocks {
		if u < s.share {
			return i
		}
		u -= s.share
	}
	return 0
}

func newJob(rng *rand.Rand, p place, stock, n int, at time.Time) job {
	s := stocks[stock]
	j := job{
		id: fmt.Sprintf("KL-%d", 1000+n), site: p.site, machine: p.name, stock: s.code, class: s.class,
		lengthM: 2 + float64(rng.IntN(55))/10, copies: 20 * (1 + rng.IntN(20)), passes: 12, cureC: 93,
		inkPct: float64(90 + 5*rng.IntN(5)), contour: rng.Float64() < 0.7, at: at, due: at.Add(26 * time.Hour),
		format: []string{"xjdf", "xjdf", "json", "jdf"}[rng.IntN(4)],
	}
	if rng.Float64() < 0.07 { // somebody in a hurry
		j.passes, j.cureC = 8, 116
	}
	if s.class != event.Monomeric && rng.Float64() < 0.5 {
		j.laminate = true
		if rng.Float64() < 0.3 {
			j.due = at.Add(2 * time.Hour)
		}
	}
	return j
}

// takes is how long the machine needs for the job.
func (j job) takes(p place) time.Duration {
	mmPerS := p.swathMM / float64(j.passes) / p.strokeS
	return time.Duration(j.lengthM * 1000 / mmPerS * float64(time.Second)).Round(time.Second)
}
