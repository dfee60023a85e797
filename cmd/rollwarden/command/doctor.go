package command

import (
	"context"

	"rollwarden/cmd/rollwarden/doctor"
	"rollwarden/watcher/bus"
)

type doctorCommand struct {
	Page bool   `help:"Send a test page, marked as one, on every channel of the pager."`
	NATS string `help:"NATS address; the configuration's when absent. Without a running watch its own store is opened." placeholder:"URL"`
}

// doctorDocument is what was looked at and how it stands.
type doctorDocument struct {
	Verdict  string            `json:"verdict" jsonschema:"the worst of all: ok, look or broken; the exit code is 1 when it is broken"`
	Findings []findingDocument `json:"findings"`
}

type findingDocument struct {
	Check   string `json:"check" jsonschema:"what was looked at"`
	Verdict string `json:"verdict" jsonschema:"ok, look or broken"`
	What    string `json:"what" jsonschema:"what was found"`
	Why     string `json:"why,omitzero" jsonschema:"why it matters; absent when all is well"`
	Next    string `json:"next,omitzero" jsonschema:"what to do; absent when all is well"`
}

// Run looks at everything that the watch rests on.
func (d doctorCommand) Run(e *env) error {
	found := d.examine(e)
	document := doctorDocument{Verdict: string(found.Worst())}
	for _, f := range found {
		document.Findings = append(document.Findings, findingDocument{f.Check, string(f.Verdict), f.What, f.Why, f.Next})
	}
	if err := e.answer(document, found.Text); err != nil {
		return err
	}
	if found.Worst() == doctor.Broken {
		return errSilent
	}
	return nil
}

func (d doctorCommand) examine(e *env) doctor.Findings {
	cfg, err := e.load()
	if err != nil {
		return doctor.Unreadable(err)
	}
	return doctor.Examine(e.ctx, doctor.Patient{
		Config: cfg, System: doctor.Local{}, Version: Version(), Page: d.Page,
		Open: func(ctx context.Context) (*bus.Bus, bool, error) {
			if b, err := connect(ctx, cfg, d.NATS); err == nil {
				return b, true, nil
			}
			b, err := openBus(ctx, cfg, d.NATS)
			return b, false, err
		},
	})
}
