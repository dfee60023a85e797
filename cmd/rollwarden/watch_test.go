package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/prom"
)

// daemon is a running watch.
type daemon struct {
	process *os.Process
	ended   chan error // gets the outcome once
}

// end makes sure that nothing is left running when a script is over.
func (d *daemon) end() {
	if d != nil {
		_ = d.process.Kill() // it may have ended by itself
		<-d.ended
	}
}

func (s *shop) logFile() string { return filepath.Join(s.dir, "watch.log") }

// watch starts a watch in the script's folder.
func (s *shop) watch(args []string) {
	s.usage(!s.negated && len(args) == 0, "watch")
	if s.daemon != nil {
		s.Fatalf("a watch runs already")
	}
	log, err := os.OpenFile(s.logFile(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	s.Check(err)
	defer log.Close()
	before, err := log.Seek(0, io.SeekEnd)
	s.Check(err)
	cmd := exec.Command("rollwarden", "run")
	cmd.Dir, cmd.Env, cmd.Stderr = s.dir, s.environ(), log
	s.Check(cmd.Start())
	s.daemon = &daemon{cmd.Process, make(chan error, 1)}
	go func() { s.daemon.ended <- cmd.Wait() }()
	s.find(before)
	s.getUntil("/readyz", regexp.MustCompile("ready"))
}

// environ is what a watch is started with: the script's own settings, except
// that the watch takes any free ports, anew each time, and a log to read.
func (s *shop) environ() []string {
	env := []string{"PATH=" + s.Getenv("PATH"), "TMPDIR=" + s.Getenv("TMPDIR"), "GORACE=" + os.Getenv("GORACE")}
	for _, name := range config.EnvNames() {
		if value := s.Getenv(name); value != "" {
			env = append(env, name+"="+value)
		}
	}
	return append(env, listenNATS+"=127.0.0.1:0", listenHTTP+"=127.0.0.1:0", config.Variable("log.format")+"=json")
}

// These tell the commands of a script where the watch is, as fixed ports would.
var (
	listenNATS = config.Variable("nats.listen")
	listenHTTP = config.Variable("http.listen")
)

// find reads from the log where the watch listens.
func (s *shop) find(before int64) {
	var at struct{ Board, NATS string }
	s.until("the watch to start", func() (bool, string) {
		log, err := os.ReadFile(s.logFile())
		s.Check(err)
		select {
		case err := <-s.daemon.ended:
			s.daemon.ended <- err
			s.Fatalf("the watch ended: %v\n%s", err, log[before:])
		default:
		}
		for line := range bytes.Lines(log[before:]) {
			if err := json.Unmarshal(line, &at); err == nil && at.Board != "" {
				return true, ""
			}
		}
		return false, string(log[before:])
	})
	s.Setenv("BOARD", at.Board)
	s.Setenv("NATS", at.NATS)
	s.Setenv(listenNATS, strings.TrimPrefix(at.NATS, "nats://"))
	_, address, _ := strings.Cut(at.Board, "://")
	s.Setenv(listenHTTP, address)
}

// signal ends the watch, or has it read its configuration again.
func (s *shop) signal(args []string) {
	signals := map[string]syscall.Signal{"TERM": syscall.SIGTERM, "KILL": syscall.SIGKILL, "HUP": syscall.SIGHUP}
	s.usage(!s.negated && len(args) == 1 && signals[args[0]] != 0, "signal TERM|KILL|HUP")
	if s.daemon == nil {
		s.Fatalf("no watch runs")
	}
	sent := signals[args[0]]
	s.Check(s.daemon.process.Signal(sent))
	if sent == syscall.SIGHUP {
		return
	}
	select {
	case err := <-s.daemon.ended:
		s.daemon = nil
		if sent == syscall.SIGTERM && err != nil {
			s.Fatalf("the watch did not end well: %v", err)
		}
	case <-time.After(patience):
		s.Fatalf("the watch goes on %s after %s", patience, args[0])
	}
}

// get fetches a page of the board until it says what is expected.
func (s *shop) get(args []string) {
	s.usage(!s.negated && len(args) > 0, "get PATH [regexp...]")
	var wanted []*regexp.Regexp
	for _, a := range args[1:] {
		re, err := regexp.Compile("(?m)" + a)
		s.Check(err)
		wanted = append(wanted, re)
	}
	_, err := io.WriteString(s.Stdout(), s.getUntil(args[0], wanted...))
	s.Check(err)
}

func (s *shop) getUntil(path string, wanted ...*regexp.Regexp) (body string) {
	s.until(path+fmt.Sprintf(" to match %v", wanted), func() (bool, string) {
		var err error
		if body, err = s.fetch(s.Getenv("BOARD") + path); err != nil {
			return false, err.Error()
		}
		for _, re := range wanted {
			if !re.MatchString(body) {
				return false, re.String() + " does not match\n" + body
			}
		}
		return true, ""
	})
	return body
}

func (s *shop) fetch(url string) (string, error) {
	resp, err := s.browser.Get(url)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s\n%s", url, resp.Status, body)
	}
	return string(body), err
}

// counts saves the metrics that are a fold of the journal. Two watches over
// one journal must show the same.
func (s *shop) counts(args []string) {
	s.usage(!s.negated && len(args) == 1, "counts FILE")
	var live []string
	for _, m := range prom.Table {
		if m.Live {
			live = append(live, m.Name)
		}
	}
	name := regexp.MustCompile(`^rollwarden_\w+?(?:(?:_bucket|_sum|_count)?(?:\{| ))`)
	var kept strings.Builder
	for line := range strings.Lines(s.getUntil("/metrics")) {
		full := strings.TrimRight(name.FindString(line), "{ ")
		if full == "" || slices.ContainsFunc(live, func(l string) bool { return strings.HasPrefix(full, l) }) {
			continue
		}
		kept.WriteString(line)
	}
	s.Check(os.WriteFile(s.MkAbs(args[0]), []byte(kept.String()), 0o644))
}

// digest prints one digest for each file of a pattern, so that two states of
// them can be compared.
func (s *shop) digest(args []string) {
	s.usage(!s.negated && len(args) == 1, "digest PATTERN")
	files, err := filepath.Glob(s.MkAbs(args[0]))
	s.Check(err)
	if len(files) == 0 {
		s.Fatalf("no file matches %s", args[0])
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		s.Check(err)
		fmt.Fprintf(s.Stdout(), "%x %s\n", sha256.Sum256(data), file)
	}
}
