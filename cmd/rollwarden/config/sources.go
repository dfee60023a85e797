package config

import (
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hint"
	"rollwarden/watcher/ipp"
	"rollwarden/watcher/runlog"
	"rollwarden/watcher/signal"
)

// Sources say what else tells of the floor, besides tickets and people.
type Sources struct {
	Poll    time.Duration `yaml:"poll" min:"1s" max:"1h"`
	Signals []Signal      `yaml:"signals"`
	RunLogs []RunLog      `yaml:"run_logs"`
	IPP     []IPP         `yaml:"ipp"`
}

// Signal says what the messages on a topic mean.
type Signal struct {
	Topic    string                 `yaml:"topic"`
	Site     string                 `yaml:"site"`
	Machine  string                 `yaml:"machine"`
	Event    string                 `yaml:"event"`
	Fields   map[string]SignalField `yaml:"fields"`
	When     []SignalCondition      `yaml:"when"`
	Debounce time.Duration          `yaml:"debounce" min:"0s" max:"1h"`
}

// SignalField says where a field of the event comes from.
type SignalField struct {
	Value   *string `yaml:"value"`
	Pointer *string `yaml:"pointer"`
	Unit    string  `yaml:"unit"`
	Scale   float64 `yaml:"scale" min:"-1000000000" max:"1000000000"`
}

// SignalCondition is what a message must say.
type SignalCondition struct {
	Pointer string   `yaml:"pointer"`
	Equals  *string  `yaml:"equals"`
	Above   *float64 `yaml:"above" min:"-1000000000" max:"1000000000"`
	Below   *float64 `yaml:"below" min:"-1000000000" max:"1000000000"`
}

// RunLog is a log that a machine's own software keeps of its runs.
type RunLog struct {
	Machine   string            `yaml:"machine"`
	Files     string            `yaml:"files"`
	Separator string            `yaml:"separator"`
	Decimal   string            `yaml:"decimal" enum:".,comma"`
	Charset   string            `yaml:"charset" enum:"utf-8,utf-16,windows-1252"`
	Header    *bool             `yaml:"header"`
	Columns   map[string]string `yaml:"columns"`
	Units     map[string]string `yaml:"units"`
	Time      string            `yaml:"time"`
	Zone      string            `yaml:"zone"`
	States    map[string]string `yaml:"states"`
	History   bool              `yaml:"history"`
}

// IPP is a printer that is asked how it is.
type IPP struct {
	Machine string `yaml:"machine"`
	URL     string `yaml:"url"`
	CAFile  string `yaml:"ca_file"`
}

// row is what the watch is told of a signal.
func (s *Signal) row() signal.Row {
	r := signal.Row{Topic: s.Topic, Site: s.Site, Type: event.Type(s.Event), Debounce: s.Debounce, Fields: map[string]signal.Field{}}
	if site, machine, ok := strings.Cut(s.Machine, "/"); ok {
		r.Site, r.Machine = site, machine
	}
	for name, f := range s.Fields {
		r.Fields[name] = signal.Field(f)
	}
	for _, c := range s.When {
		r.When = append(r.When, signal.Condition(c))
	}
	return r
}

// Signals are the rows by which signals are read.
func (c *Config) Signals() []signal.Row {
	var rows []signal.Row
	for i := range c.Sources.Signals {
		rows = append(rows, c.Sources.Signals[i].row())
	}
	return rows
}

// signalsOf are the subjects on which a machine's login may send signals.
func (c *Config) signalsOf(machine string) []string {
	site, name, _ := strings.Cut(machine, "/")
	var all []string
	for _, r := range c.Signals() {
		all = append(all, r.Subjects(site, name)...)
	}
	return all
}

// Place finds the machine that a signal is about: by its site and name, by its
// name alone where only one site has it, or by one of its device ids. AnyMachine
// stands for a whole site.
func (c *Config) Place(site, machine string) (string, string, error) {
	if site == "" {
		if s, m, ok := c.Machine(machine); ok {
			return s, m, nil
		}
	}
	for _, m := range c.Machines {
		if m.Site == site && (machine == m.Name || machine == event.AnyMachine || slices.Contains(m.DeviceIDs, machine)) {
			if machine == event.AnyMachine {
				return site, machine, nil
			}
			return site, m.Name, nil
		}
	}
	got := strings.TrimPrefix(floor.Key(site, machine), "/") // a name alone
	return "", "", fmt.Errorf("want a machine of the configuration, got %s%s", quote(got), hint.DidYouMean(got, c.machineKeys()))
}

// Nowhere is the site to which an input is told that is of no machine: the shop's only
// one, or none where there are several.
func (c *Config) Nowhere() string {
	if sites := c.sites(); len(sites) == 1 {
		return sites[0]
	}
	return event.AnySite
}

func (c *Config) machineKeys() []string {
	var keys []string
	for _, m := range c.Machines {
		keys = append(keys, floor.Key(m.Site, m.Name))
	}
	return keys
}

// RunLogs are the logs that are followed.
func (c *Config) RunLogs() ([]runlog.Log, error) {
	var logs []runlog.Log
	for i := range c.Sources.RunLogs {
		l := &c.Sources.RunLogs[i]
		format, err := l.format(c)
		if err != nil {
			return nil, err
		}
		site, machine, _ := strings.Cut(l.Machine, "/")
		logs = append(logs, runlog.Log{Files: c.Path(l.Files), Site: site, Machine: machine, Format: format, History: l.History})
	}
	return logs, nil
}

// format is how a log is written. The error is an *event.Fault.
func (l *RunLog) format(c *Config) (runlog.Format, error) {
	f := runlog.Format{
		Separator: l.Separator, Charset: l.Charset, Header: l.Header == nil || *l.Header,
		Columns: l.Columns, Units: l.Units, Time: l.Time, States: l.States,
	}
	if l.Decimal == "comma" {
		f.Decimal = ","
	}
	zone, err := c.Location()
	if l.Zone != "" {
		zone, err = time.LoadLocation(l.Zone)
	}
	if err != nil {
		return f, &event.Fault{Field: "zone", Want: "an IANA time zone such as Europe/Lisbon", Got: quote(l.Zone)}
	}
	f.Zone = zone
	return f, f.Check()
}

// Printers are asked how they are; the pool, nil for the system's, has the
// authorities that their certificates are checked with.
func (c *Config) Printers() ([]ipp.Printer, *x509.CertPool, error) {
	var printers []ipp.Printer
	var roots *x509.CertPool
	for i, p := range c.Sources.IPP {
		site, machine, _ := strings.Cut(p.Machine, "/")
		printers = append(printers, ipp.Printer{URL: p.URL, Site: site, Machine: machine})
		if p.CAFile == "" {
			continue
		}
		pem, err := os.ReadFile(c.Path(p.CAFile))
		if err != nil {
			return nil, nil, fmt.Errorf("sources.ipp[%d].ca_file: %w", i, err)
		}
		if roots == nil {
			if roots, err = x509.SystemCertPool(); err != nil {
				roots = x509.NewCertPool()
			}
		}
		if !roots.AppendCertsFromPEM(pem) {
			return nil, nil, fmt.Errorf("sources.ipp[%d].ca_file: want certificates (PEM) in %s, and there are none", i, c.Path(p.CAFile))
		}
	}
	return printers, roots, nil
}

func (c *Config) checkSources(p *problems) {
	for i := range c.Sources.Signals {
		c.checkSignal(p, fmt.Sprintf("sources.signals[%d]", i), &c.Sources.Signals[i])
	}
	for i := range c.Sources.RunLogs {
		c.checkRunLog(p, fmt.Sprintf("sources.run_logs[%d]", i), &c.Sources.RunLogs[i])
	}
	for i, s := range c.Sources.IPP {
		key := fmt.Sprintf("sources.ipp[%d]", i)
		c.checkMachineKey(p, key+".machine", s.Machine, c.machineKeys())
		p.fault(key, ipp.CheckURL(s.URL))
		c.checkFile(p, key+".ca_file", s.CAFile)
	}
}

// fault notes what a source says of its own part of the configuration.
func (p *problems) fault(key string, err error) {
	if f, ok := errors.AsType[*event.Fault](err); ok {
		under := *f
		under.Field = key + "." + f.Field
		p.note(under.Field, under.Error())
	}
}

func (c *Config) checkMachineKey(p *problems, key, got string, known []string) {
	switch {
	case slices.Contains(known, got):
	case got == "":
		p.missing(key, "one of "+strings.Join(known, ", "))
	default:
		p.note(key, fmt.Sprintf("%s: want one of %s, got %s%s", key, strings.Join(known, ", "), quote(got), hint.DidYouMean(got, known)))
	}
}

func (c *Config) checkSignal(p *problems, key string, s *Signal) {
	row := s.row()
	p.fault(key, row.Check())
	named := strings.Contains(s.Topic, "{machine}")
	switch {
	case s.Machine != "":
		known := c.machineKeys()
		for _, site := range c.sites() {
			known = append(known, floor.Key(site, event.AnyMachine))
		}
		c.checkMachineKey(p, key+".machine", s.Machine, known)
		if named || s.Site != "" {
			p.bad(key+".machine", "the machine here, or {machine} in the topic, and no site besides", s.Machine)
		}
	case !named:
		p.missing(key+".machine", "the machine that it is about, such as "+c.machineKeys()[0]+" or "+floor.Key(c.sites()[0], event.AnyMachine)+" for the whole site, or {machine} in the topic")
	case s.Site != "" && !slices.Contains(c.sites(), s.Site):
		p.note(key+".site", fmt.Sprintf("%s.site: want a site of the machines list (%s), got %s%s", key, strings.Join(c.sites(), ", "), quote(s.Site), hint.DidYouMean(s.Site, c.sites())))
	}
}

func (c *Config) checkRunLog(p *problems, key string, l *RunLog) {
	c.checkMachineKey(p, key+".machine", l.Machine, c.machineKeys())
	if _, err := filepath.Match(l.Files, ""); err != nil || l.Files == "" || strings.ContainsAny(filepath.Dir(l.Files), "*?[") {
		p.bad(key+".files", "a path, or a folder and a pattern for the names in it, such as /srv/heron/runs-*.csv", l.Files)
	}
	_, err := l.format(c)
	p.fault(key, err)
}

// noteSources notes what is allowed and worth a look.
func (c *Config) noteSources() {
	if len(c.Sources.Signals) > 0 && c.NATS.URL == "" && c.NATS.MQTT.Listen == "" && c.NATS.Listen == "" {
		c.warn("sources.signals is set, but neither nats.mqtt.listen nor nats.listen: nobody can send them")
	}
	for i, s := range c.Sources.Signals {
		if _, moves := s.Fields["by_mm"]; moves && s.Debounce == 0 {
			c.warn("sources.signals[%d] moves the edge by a distance and has no debounce: a message that comes twice moves it twice, and the edge counts as further than it is", i)
		}
	}
}
