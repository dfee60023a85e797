package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets this test program play the real one: a script that runs
// rollwarden starts a copy of it that calls main.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"rollwarden": main})
}

// How long a script waits for what must come, and how often it looks. The
// first is generous, because it only ever passes when something is broken.
const (
	patience = 90 * time.Second
	lookEach = 20 * time.Millisecond
)

// TestScripts runs the real program against the real world: its own process,
// folders, ports, signals, receivers and NATS clients. Besides the commands of
// testscript a script has these:
//
//	watch                      start a watch, wait until it is ready; NATS and BOARD say where it is
//	signal TERM|KILL           send the watch a signal and wait for its end; TERM must end it with 0
//	get PATH [regexp...]       fetch from the board until every regexp matches; prints the last answer
//	ask STATUS METHOD PATH ['Header: value'...] [name=value...]   send one request, as a browser with cookies does
//	certificate FOLDER         make cert.pem and key.pem for 127.0.0.1, and believe them
//	counts FILE                save everything that /metrics makes of the journal
//	publish SUBJECT FILE [Header=value...]   publish a file over plain NATS
//	await FILE...              wait until files are there (! await: until they are gone)
//	receiver take|refuse       a webhook, that high alarms are paged on from the next watch
//	pages N                    wait until it has taken N pages, no more; prints what came
//	nats                       a NATS server of somebody else, that the next watch uses
//	mqtt                       set MQTT_PORT to where the watch takes MQTT
//	burst N TOPIC              publish N messages with QoS 1, and kill the watch when the last is acknowledged
//	printer STATE [REASON...]  a printer that says this by IPP, at $PRINTER
//	digest PATTERN             print a digest of each file that matches
//	conforms SCHEMA FILE       check each JSON text of a file, or of stdout or stderr, by a schema of deploy/cli
//	tab bash|zsh LINE WANT     type a line into a shell, press the tabulator, and want the line to become another
//	exitcode N PROGRAM ARGS... exec, for a program that must end with this code
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "script"),
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup:               func(e *testscript.Env) error { return openShop(t, e) },
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"watch": with((*shop).watch), "signal": with((*shop).signal), "get": with((*shop).get),
			"counts": with((*shop).counts), "publish": with((*shop).publish), "await": with((*shop).await),
			"receiver": with((*shop).receive), "pages": with((*shop).pages), "nats": with((*shop).nats),
			"digest": with((*shop).digest), "certificate": with((*shop).certificate), "ask": with((*shop).ask), "exitcode": with((*shop).exitcode),
			"mqtt": with((*shop).mqtt), "burst": with((*shop).burst), "printer": with((*shop).printer),
			"conforms": with((*shop).conforms), "tab": with((*shop).tab),
		},
	})
}

// shop is what the commands of one script share.
type shop struct {
	*testscript.TestScript
	negated bool
	dir     string
	daemon  *daemon
	hook    *receiver
	browser *browser
}

type shopKey struct{}

// openShop gives a script its configuration and a ticket; $TICKETS names the
// folder of the tickets that all packages share, and $EXAMPLES that of the
// published examples.
func openShop(t *testing.T, e *testscript.Env) error {
	tickets, err := filepath.Abs(filepath.Join("..", "..", "testdata", "tickets"))
	if err != nil {
		return err
	}
	e.Setenv("TICKETS", tickets)
	e.Setenv("EXAMPLES", filepath.Join(tickets, "..", "..", "deploy"))
	for from, to := range map[string]string{"shop.yaml": "rollwarden.yaml", "KL-1042.xjdf": "KL-1042.xjdf"} {
		if err := provide(filepath.Join("testdata", "script", from), filepath.Join(e.WorkDir, to)); err != nil {
			return err
		}
	}
	s := &shop{dir: e.WorkDir, browser: newBrowser()}
	e.Values[shopKey{}] = s
	e.Defer(func() {
		s.daemon.end()
		s.hook.close()
		if log, _ := os.ReadFile(s.logFile()); strings.Contains(string(log), "DATA RACE") {
			t.Errorf("the watch raced:\n%s", log)
		}
	})
	return nil
}

// provide copies a file unless the script brings its own.
func provide(from, to string) error {
	if _, err := os.Stat(to); err == nil {
		return nil
	}
	data, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, data, 0o644)
}

// with makes a method a command of the scripts.
func with(run func(*shop, []string)) func(*testscript.TestScript, bool, []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		s := ts.Value(shopKey{}).(*shop)
		s.TestScript, s.negated = ts, neg
		run(s, args)
	}
}

// usage ends the script when a command is written wrongly.
func (s *shop) usage(ok bool, text string) {
	if !ok {
		s.Fatalf("usage: %s", text)
	}
}

// until looks until done, and fails the script with what was seen last.
func (s *shop) until(what string, look func() (done bool, seen string)) {
	end := time.Now().Add(patience)
	for {
		done, seen := look()
		if done {
			return
		}
		if time.Now().After(end) {
			s.Fatalf("waited %s for %s; at last there was:\n%s", patience, what, seen)
		}
		time.Sleep(lookEach)
	}
}

// await waits for files, which may be patterns.
func (s *shop) await(args []string) {
	s.usage(len(args) > 0, "[!] await FILE...")
	for _, pattern := range args {
		s.until(fmt.Sprintf("%s (to be gone: %v)", pattern, s.negated), func() (bool, string) {
			found, err := filepath.Glob(s.MkAbs(pattern))
			s.Check(err)
			return (len(found) > 0) != s.negated, s.tree()
		})
	}
}

// tree lists what lies in the drop folders.
func (s *shop) tree() string {
	var b strings.Builder
	err := filepath.WalkDir(filepath.Join(s.dir, "tickets"), func(path string, _ os.DirEntry, err error) error {
		fmt.Fprintln(&b, strings.TrimPrefix(path, s.dir), err)
		return nil
	})
	s.Check(err)
	return b.String()
}

// exitcode runs a program that must end with a code.
func (s *shop) exitcode(args []string) {
	s.usage(!s.negated && len(args) > 1, "exitcode N PROGRAM ARGS...")
	err := s.Exec(args[1], args[2:]...)
	got := 0
	if exit, ok := errors.AsType[*exec.ExitError](err); ok {
		got = exit.ExitCode()
	} else {
		s.Check(err)
	}
	if fmt.Sprint(got) != args[0] {
		s.Fatalf("want exit code %s, got %d", args[0], got)
	}
}
