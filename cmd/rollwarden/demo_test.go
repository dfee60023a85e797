package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
)

// record is what the tests read of a record of the demo.
type record struct {
	Record, Board, Who, Machine string
	Strikes                     int
}

func (s *shop) weekFile() string { return s.MkAbs("week.jsonl") }

// play starts the demo, which keeps running after its week, and waits until its
// watch can be asked.
func (s *shop) play(args []string) {
	s.usage(!s.negated && len(args) == 1 && s.daemon == nil, "play PACE")
	week, err := os.Create(s.weekFile())
	s.Check(err)
	defer week.Close()
	cmd := exec.Command("rollwarden", "demo", "--json", "--stay", "--pace="+args[0])
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = s.dir, []string{"PATH=" + s.Getenv("PATH"), "TMPDIR=" + s.Getenv("TMPDIR")}, week, os.Stderr
	s.Check(cmd.Start())
	s.daemon = &daemon{cmd.Process, make(chan error, 1)}
	go func() { s.daemon.ended <- cmd.Wait() }()
	opening := s.recorded("opening")
	s.Setenv("BOARD", strings.TrimSuffix(opening.Board, "/"))
}

// recorded waits for a record of a kind.
func (s *shop) recorded(kind string) (found record) {
	s.until("the demo's "+kind, func() (bool, string) {
		all := s.week()
		i := slices.IndexFunc(all, func(r record) bool { return r.Record == kind })
		if i >= 0 {
			found = all[i]
		}
		return i >= 0, fmt.Sprint(len(all), " records")
	})
	return found
}

// week reads the records of the demo until now.
func (s *shop) week() (all []record) {
	text, err := os.ReadFile(s.weekFile())
	s.Check(err)
	for line := range bytes.Lines(text) {
		var r record
		if bytes.HasSuffix(line, []byte("\n")) { // else it is being written
			s.Check(json.Unmarshal(line, &r))
			all = append(all, r)
		}
	}
	return all
}

// strikes lists the machines that struck until now, once for each strike.
func (s *shop) strikes() (machines []string) {
	for _, r := range s.week() {
		if r.Record == "moment" && r.Who == "strike" {
			machines = append(machines, r.Machine)
		}
	}
	return machines
}

// struck plays the week to its end, and wants Prometheus to have counted its head
// strikes. The crew of each machine that struck under Prometheus's eyes is told
// through Alertmanager, and nobody is told of a machine that did not.
func (s *shop) struck(args []string) {
	s.usage(!s.negated && len(args) == 0, "struck")
	before := len(s.strikes())
	score := s.recorded("score")
	all := s.strikes()
	if len(all) != score.Strikes || len(all) == before {
		s.Fatalf("want the %d strikes of the score, and some of them still to come, got %v with %d at first", score.Strikes, all, before)
	}
	s.until("the strikes in Prometheus", func() (bool, string) {
		found, err := s.query(fmt.Sprintf("sum(rollwarden_head_strikes_total) == %d", len(all)))
		return found > 0, fmt.Sprint(err)
	})
	sites := map[string]string{"heron": "north", "wren": "north", "plover": "quay"}
	for machine, site := range sites {
		message := fmt.Sprintf(`^crew-%s firing map\[alertname:RollwardenHeadStrike machine:%s severity:critical site:%s\]`, site, machine, site)
		switch {
		case slices.Contains(all[before:], machine):
			s.told([]string{message})
		case !slices.Contains(all, machine):
			s.quiet([]string{`RollwardenHeadStrike machine:` + machine})
		}
	}
	s.quiet([]string{"not a message", "RollwardenDown"})
}
