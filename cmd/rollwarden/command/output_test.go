package command

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

func TestProblemsOf(t *testing.T) {
	fault := &event.Fault{Field: "data.length_m", Want: "a number", Got: `"far"`}
	broken := &ticket.Error{File: "KL-1.xjdf", Line: 3, Field: "XJDF/@JobID", Want: "the id of the job"}
	key := &config.Problem{Where: "shop.yaml:2:5", Text: "machines[0].name is missing", File: "shop.yaml", Line: 2, Key: "machines[0].name", Want: "a name"}
	of := func(e error, file string, line int, field, want, got string) problem {
		return problem{e.Error(), file, line, field, want, got}
	}
	for _, c := range []struct {
		err  error
		want []problem
	}{
		{errors.New("the disk is full"), []problem{{Message: "the disk is full"}}},
		{usageError{fmt.Errorf("%w (see the list)", fault)}, []problem{of(fault, "", 0, "data.length_m", "a number", `"far"`)}},
		{usageError{errors.Join(key, broken)}, []problem{of(key, "shop.yaml", 2, "machines[0].name", "a name", ""), of(broken, "KL-1.xjdf", 3, "XJDF/@JobID", "the id of the job", "")}},
		// What wraps an error without fields says more than that error.
		{fmt.Errorf("look at the journal: %w", errors.New("no responders")), []problem{{Message: "look at the journal: no responders"}}},
	} {
		if diff := cmp.Diff(c.want, problemsOf(c.err)); diff != "" {
			t.Errorf("%v: -want +got\n%s", c.err, diff)
		}
	}
}

// TestEnded wants the same exit code for people and for programs, and one JSON
// text for programs.
func TestEnded(t *testing.T) {
	for _, c := range []struct {
		err  error
		code int
	}{{nil, exitOK}, {errSilent, exitFailed}, {errors.New("x"), exitFailed}, {fmt.Errorf("y: %w", usageError{errors.New("x")}), exitUsage}} {
		var text, doc bytes.Buffer
		if people, programs := ended(&text, false, c.err), ended(&doc, true, c.err); people != c.code || programs != c.code {
			t.Errorf("%v: want %d, got %d and %d", c.err, c.code, people, programs)
		}
		var d failureDocument
		switch err := json.Unmarshal(doc.Bytes(), &d); {
		case text.Len() == 0 && doc.Len() == 0:
		case err != nil || d.ExitCode != c.code || d.Message != c.err.Error() || len(d.Problems) != 1:
			t.Errorf("%v: got %s, %v", c.err, &doc, err)
		}
	}
}

// TestLogger wants JSON for a program, whatever the configuration says.
func TestLogger(t *testing.T) {
	cfg := config.Default()
	cfg.Log.Format = "console"
	for _, asJSON := range []bool{false, true} {
		var b bytes.Buffer
		log := (&env{err: &b, json: asJSON}).logger(cfg)
		log.Info().Msg("watching")
		if json.Valid(b.Bytes()) != asJSON {
			t.Errorf("JSON %v: got %q", asJSON, &b)
		}
	}
}

// TestADividedJournal wants no part of a journal taken for all of it.
func TestADividedJournal(t *testing.T) {
	cfg := config.Default()
	cfg.NATS.URL, cfg.NATS.Partitions = "nats://127.0.0.1:1", 8
	if _, _, err := openJournal(t.Context(), cfg, ""); err == nil || !strings.Contains(err.Error(), "divided among 8 streams (nats.partitions)") {
		t.Errorf("got %v", err)
	}
}
