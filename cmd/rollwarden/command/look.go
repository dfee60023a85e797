package command

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/metrics/advice"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hint"
	"rollwarden/watcher/journal"
)

// look is what the commands have in common that show machines as they stand,
// whether the watch runs or not.
type look struct {
	Machines []string `arg:"" optional:"" help:"Machines to show, as name or site/name; all of them when absent." predictor:"machine"`
	Explain  bool     `help:"Show what the advice was worked out from: inputs, formula, result, uncertainty, source."`
	NATS     string   `help:"NATS address; the configuration's when absent. Without a running watch its own store is opened." placeholder:"URL"`
}

// scene is what there is to show.
type scene struct {
	cfg      *config.Config
	site     rules.Site
	view     *rules.View
	machines []*floor.Machine
}

// at reads the journal and finds the machines that were asked for.
func (l look) at(e *env) (scene, error) {
	s := scene{}
	var err error
	if s.cfg, err = e.load(); err != nil {
		return s, err
	}
	if s.site, err = s.cfg.Site(); err != nil {
		return s, err
	}
	if s.view, err = l.view(e, s.cfg, s.site); err != nil {
		return s, err
	}
	if s.machines, err = l.chosen(s.view.Floor, s.cfg); err != nil {
		return s, err
	}
	return s, nil
}

// view folds the journal as it is now. Judging makes the engine learn the odds;
// what it returns is the running watch's to say.
func (l look) view(e *env, cfg *config.Config, site rules.Site) (*rules.View, error) {
	zone, err := cfg.Location()
	if err != nil {
		return nil, err
	}
	j, done, err := openJournal(e.ctx, cfg, l.NATS)
	if err != nil {
		return nil, err
	}
	defer done()
	engine := rules.New(site)
	tick, end := e.progress("reading the journal")
	err = counted{j, tick}.Read(e.ctx, 1, 0, "", func(m journal.Entry) error {
		ev, err := event.Decode(m.Message)
		if err != nil {
			engine.Refuse(m.Seq, m.Stored, m.Subject, err)
			return nil
		}
		engine.Apply(m.Seq, ev)
		return nil
	})
	end()
	if err != nil {
		return nil, err
	}
	now := time.Now().In(zone)
	engine.Judge(now)
	return engine.View(now), nil
}

// adviceDocument says of each machine what the API says of it.
type adviceDocument struct {
	Machines []advice.Answer `json:"machines" jsonschema:"in the order of their names; each is what /api/v1/machines/{site}/{machine}/advice answers"`
}

// tell prints what there is to show for a program.
func (s scene) tell(e *env) error {
	prices, err := s.cfg.QueuePrices()
	if err != nil {
		return err
	}
	return e.document(adviceDocument{advice.Answers(s.site, prices, s.view, s.view.At, s.machines)})
}

// chosen lists the machines to show.
func (l look) chosen(f *floor.State, cfg *config.Config) (out []*floor.Machine, err error) {
	all := f.Sorted()
	if len(l.Machines) == 0 {
		return all, nil
	}
	for _, name := range l.Machines {
		found := slices.DeleteFunc(slices.Clone(all), func(m *floor.Machine) bool { return name != m.Name && name != floor.Key(m.Site, m.Name) })
		if len(found) == 0 {
			return nil, unheard(cfg, name)
		}
		out = append(out, found...)
	}
	return out, nil
}

// unheard says why there is nothing to show of a machine.
func unheard(cfg *config.Config, name string) error {
	silent := slices.DeleteFunc(slices.Clone(cfg.Machines), func(m config.Machine) bool { return asTyped(name)(m) != name })
	if len(silent) > 0 {
		return notTold(silent)
	}
	names := machineNames(cfg, name)
	return usageError{fmt.Errorf("no machine %q in the configuration, and nothing was told of one%s (want one of %s)", name, hint.DidYouMean(name, names), strings.Join(names, ", "))}
}

// empty says why there is nothing to show at all.
func (s scene) empty(w io.Writer) error {
	_, err := fmt.Fprintln(w, notTold(s.cfg.Machines))
	return err
}

// notTold says what to tell first of machines that are configured.
func notTold(machines []config.Machine) error {
	var names []string
	for _, m := range machines {
		names = append(names, floor.Key(m.Site, m.Name))
	}
	return fmt.Errorf("nothing has been told of %s yet: begin with the roll that is on it, as in rollwarden send roll.loaded %s stock=CODE length_m=50 edge_mm=0, or on its page of the board", strings.Join(names, ", "), names[0])
}
