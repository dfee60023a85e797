package setup

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"rollwarden/cmd/rollwarden/config"
)

// header stands where the example introduces itself, and body is where it goes
// on.
const (
	header = `# Rollwarden: the settings of this shop, begun by "rollwarden init".
#
# What was answered is in force. Everything else stands at its default: lines that
# begin with "#" and no space are settings to take the "#" from, and show the
# default or what an invented shop has set.
#
`
	body = "# Rollwarden takes the file named by"
)

// Text is the configuration file that says what was answered: the example, with
// these settings in force and no others.
func (a Answers) Text() ([]byte, error) {
	_, rest, found := strings.Cut(string(config.Example()), body)
	if !found {
		return nil, fmt.Errorf("the example has no line %q: please report it", body)
	}
	e := edit{values: map[string]string{}, below: map[string][]string{}, after: map[string][]string{}}
	a.settings(&e)
	var b bytes.Buffer
	b.WriteString(header)
	for line := range strings.Lines(body + rest) {
		for _, out := range e.line(strings.TrimSuffix(line, "\n")) {
			fmt.Fprintln(&b, out)
		}
	}
	if left := e.left(); len(left) > 0 {
		return nil, fmt.Errorf("the example has no place for %s: please report it", strings.Join(left, ", "))
	}
	return b.Bytes(), nil
}

// settings are what the answers set.
func (a Answers) settings(e *edit) {
	e.set("shop.name", a.Shop)
	e.set("shop.time_zone", a.Zone)
	e.set("shop.currency", a.Currency)
	e.set("shop.length", a.Length)
	e.set("shop.temperature", a.Temperature)
	e.set("shop.language", a.Language)
	for i, m := range a.Machines {
		if i == 0 {
			m.first(e)
		} else {
			e.after["machines"] = append(e.after["machines"], m.lines()...)
		}
	}
	for _, s := range a.Stocks {
		e.below["stocks"] = append(e.below["stocks"], s.line())
	}
	a.Pager.settings(e)
	a.Network.settings(e)
}

// first sets the machine that the example explains.
func (m Machine) first(e *edit) {
	e.set("machines[0].site", m.Site)
	e.set("machines[0].name", m.Name)
	for _, f := range m.fields() {
		e.number("machines[0]."+f.key, f.value)
	}
}

// lines are a further machine, in short.
func (m Machine) lines() []string {
	lines := []string{"  # Another one.", "  - site: " + scalar(m.Site), "    name: " + scalar(m.Name)}
	if m.Folder != "" {
		lines = append(lines, "    folder: "+scalar(m.Folder))
	}
	if m.Path != nil {
		lines = append(lines, "    path:")
	}
	for _, f := range m.fields() {
		key, below := strings.CutPrefix(f.key, "path.")
		if f.value != nil {
			lines = append(lines, strings.Repeat(" ", map[bool]int{false: 4, true: 6}[below])+key+": "+number(*f.value))
		}
	}
	return lines
}

type field struct {
	key   string
	value *float64
}

// fields are the measurements of a machine by their keys; nil is not measured.
func (m Machine) fields() []field {
	var path Path
	if m.Path != nil {
		path = *m.Path
	}
	measured := func(v float64) *float64 {
		if m.Path == nil {
			return nil
		}
		return &v
	}
	return []field{
		{"path.cure_entry_mm", measured(path.CureEntryMM)}, {"path.cure_exit_mm", measured(path.CureExitMM)},
		{"path.take_up_mm", measured(path.TakeUpMM)}, {"path.carriage_gap_um", measured(path.CarriageGapUM)},
		{"swath_mm", m.SwathMM}, {"stroke_s", m.StrokeS}, {"max_width_mm", m.MaxWidthMM},
	}
}

func (s Stock) line() string {
	parts := []string{"code: " + scalar(s.Code), "class: " + scalar(s.Class)}
	if s.WidthMM != nil {
		parts = append(parts, "width_mm: "+number(*s.WidthMM))
	}
	if s.ThicknessUM != nil {
		parts = append(parts, "thickness_um: "+number(*s.ThicknessUM))
	}
	if s.PricePerM2 != "" {
		parts = append(parts, "price_per_m2: "+s.PricePerM2)
	}
	return "  - {" + strings.Join(parts, ", ") + "}"
}

func (p Pager) settings(e *edit) {
	if p.Channel == "" || p.Channel == "log" {
		return
	}
	e.values["pager.routes.high"] = "[log, " + p.Channel + "]"
	e.values["pager.routes.medium"] = "[log, " + p.Channel + "]"
	e.set("pager.webhook.url", p.WebhookURL)
	if p.SecretFile != "" {
		e.values["pager.webhook.secret_files"] = "[" + scalar(p.SecretFile) + "]"
	}
	e.set("pager.mail.host", p.MailHost)
	e.set("pager.mail.from", p.MailFrom)
	if len(p.MailTo) > 0 {
		var to []string
		for _, address := range p.MailTo {
			to = append(to, scalar(address))
		}
		e.values["pager.mail.to"] = "[" + strings.Join(to, ", ") + "]"
	}
}

// settings open the board to others once there is all that this needs.
func (n Network) settings(e *edit) {
	if !n.ready() {
		return
	}
	e.set("http.listen", n.Listen)
	e.set("http.public_url", n.PublicURL)
	e.set("http.tls.cert_file", n.CertFile)
	e.set("http.tls.key_file", n.KeyFile)
	e.below["http.users"] = []string{fmt.Sprintf("    - {name: %s, role: supervisor, password_hash_file: %s}", scalar(n.User), scalar(n.HashFile))}
}

// edit rewrites the example line by line. It knows the example's style: one
// setting on each line, two spaces for each level, and "#" before what is not in
// force.
type edit struct {
	values map[string]string   // by path
	below  map[string][]string // lines to follow a heading
	after  map[string][]string // lines to follow a section

	above   []heading // those that the line is in
	items   map[string]int
	section string // top level
}

// heading is a key with more below it, and how far it is indented.
type heading struct {
	indent int
	path   string
}

// set puts a text in force, if there is one.
func (e *edit) set(path, text string) {
	if text != "" {
		e.values[path] = scalar(text)
	}
}

func (e *edit) number(path string, v *float64) {
	if v != nil {
		e.values[path] = number(*v)
	}
}

// left lists what found no place.
func (e *edit) left() []string {
	var left []string
	for path := range e.values {
		left = append(left, path)
	}
	for _, lines := range []map[string][]string{e.below, e.after} {
		for path := range lines {
			left = append(left, path)
		}
	}
	slices.Sort(left)
	return left
}

// setting is a line with a key, in force or not.
var setting = regexp.MustCompile(`^( *)(#?)(- )?([^ #"{][^:]*|"[^"]*"):(?: (.*))?$`)

// line gives what stands in place of a line of the example.
func (e *edit) line(line string) []string {
	m := setting.FindStringSubmatch(line)
	if m == nil {
		if line == "" {
			return append(e.ended(), line)
		}
		return []string{line}
	}
	indent, off, dash, key, value := m[1], m[2] == "#", m[3], m[4], m[5]
	path := e.enter(len(indent), dash != "", key)
	if len(indent) == 0 {
		e.section = path
	}
	if text, answered := e.values[path]; answered {
		delete(e.values, path)
		return []string{indent + dash + key + ": " + text}
	}
	if value != "" && !off && dash == "" {
		return []string{indent + "#" + key + ": " + value}
	}
	more := e.below[path]
	delete(e.below, path)
	return append([]string{line}, more...)
}

// enter returns the path of a key and goes below it.
func (e *edit) enter(indent int, item bool, key string) string {
	inside := indent
	if item {
		inside += 2
	}
	for len(e.above) > 0 && e.above[len(e.above)-1].indent >= indent {
		e.above = e.above[:len(e.above)-1]
	}
	path := key
	if len(e.above) > 0 {
		top := e.above[len(e.above)-1].path
		if item {
			if e.items == nil {
				e.items = map[string]int{}
			}
			top = fmt.Sprintf("%s[%d]", top, e.items[top])
			e.items[e.above[len(e.above)-1].path]++
			e.above = append(e.above, heading{indent, top})
		}
		path = top + "." + key
	}
	e.above = append(e.above, heading{inside, path})
	return path
}

// ended gives the lines that follow the section that an empty line ends.
func (e *edit) ended() []string {
	more := e.after[e.section]
	delete(e.after, e.section)
	return more
}

// plain are texts that YAML takes for nothing but text; the words are those that
// it takes for something else (YAML 1.1 and 1.2, core schema).
var (
	plain = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9 ._/+-]*[A-Za-z0-9]$`)
	words = []string{"true", "false", "yes", "no", "on", "off", "null", "y", "n"}
)

// scalar writes a text as YAML. A text that could be taken for something else is
// quoted as in JSON, which YAML reads the same way.
func scalar(text string) string {
	if plain.MatchString(text) && !slices.Contains(words, strings.ToLower(text)) {
		return text
	}
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	encoder.SetEscapeHTML(false)
	_ = encoder.Encode(text) // a text can always be encoded
	return strings.TrimSpace(b.String())
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
