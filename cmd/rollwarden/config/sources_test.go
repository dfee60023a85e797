package config

import (
	"strings"
	"testing"

	"rollwarden/rules/event"
	"rollwarden/watcher/ipp"
)

const twoSites = `
machines:
  - {site: north, name: heron, device_ids: [KL-HERON-01]}
  - {site: north, name: wren}
  - {site: quay, name: plover}
`

// TestSourcesSayWhatIsWrong wants each slip to be named with its key, and the word
// that was probably meant.
func TestSourcesSayWhatIsWrong(t *testing.T) {
	const button = "topic: 'kestrel/{machine}/x', event: edge.moved, fields: {by_mm: {value: 365}, cause: {value: advance}}"
	const log = "machine: north/heron, files: 'log/*.csv', columns: {job: Job, started: Start}"
	for source, want := range map[string]string{
		"signals: [{" + strings.Replace(button, "edge.moved", "edge.move", 1) + "}]":       `sources.signals[0].event: want one of`,
		"signals: [{" + strings.Replace(button, "advance}", "advanced}", 1) + "}]":         `sources.signals[0].fields.cause: want one of rewind, advance, feed, trim, got "advanced"`,
		"signals: [{" + strings.Replace(button, "{value: 365}", "{pointer: mm}", 1) + "}]": `sources.signals[0].fields.by_mm.pointer: want a JSON pointer`,
		"signals: [{" + strings.Replace(button, "by_mm", "by", 1) + "}]":                   `sources.signals[0].fields.position_mm is missing`,
		"signals: [{" + button + ", debounced: 1s}]":                                       `unknown key "sources.signals[0].debounced": did you mean "debounce"?`,
		"signals: [{" + button + ", machine: north/heron}]":                                `sources.signals[0].machine: want the machine here, or {machine} in the topic`,
		"signals: [{" + button + ", site: nort}]":                                          `sources.signals[0].site: want a site of the machines list (north, quay), got "nort": did you mean "north"?`,
		"signals: [{" + strings.Replace(button, "{machine}", "heron", 1) + "}]":            `sources.signals[0].machine is missing: want the machine that it is about, such as north/heron or north/any`,
		"signals: [{" + strings.Replace(button, "kestrel", "floor", 1) + "}]":              `sources.signals[0].topic: want a topic that begins with a name of its own`,
		"run_logs: [{" + strings.Replace(log, "heron", "herron", 1) + "}]":                 `sources.run_logs[0].machine: want one of north/heron, north/wren, quay/plover, got "north/herron": did you mean "north/heron"?`,
		"run_logs: [{" + strings.Replace(log, "log/", "*/", 1) + "}]":                      `sources.run_logs[0].files: want a path, or a folder and a pattern`,
		"run_logs: [{" + strings.Replace(log, "job:", "jobs:", 1) + "}]":                   `sources.run_logs[0].columns.jobs: want one of`,
		"run_logs: [{" + log + ", zone: Nowhere}]":                                         `sources.run_logs[0].zone: want an IANA time zone`,
		"run_logs: [{" + log + ", charset: latin1}]":                                       `sources.run_logs[0].charset: want one of utf-8, utf-16, windows-1252`,
		"run_logs: [{" + log + ", units: {metres: km}}]":                                   `sources.run_logs[0].units.metres: want one of mm, m`,
		"ipp: [{machine: north/heron, url: lpd://heron}]":                                  `sources.ipp[0].url: want the address of a printer such as ipp://heron.example/ipp/print`,
		"ipp: [{url: ipp://heron}]":                                                        `sources.ipp[0].machine is missing: want one of north/heron`,
		"ipp: [{machine: north/heron, url: ipps://heron, ca_file: nothing.pem}]":           `sources.ipp[0].ca_file: want a file that can be read`,
	} {
		t.Chdir(t.TempDir())
		write(t, FileName, twoSites+"sources: {"+source+"}\n")
		if _, err := Load("", nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s:\nwant %s\ngot  %v", source, want, err)
		}
	}
}

// TestSourcesAsTheyAreUsed reads one of each.
func TestSourcesAsTheyAreUsed(t *testing.T) {
	c := load(t, twoSites+`
sources:
  signals:
    - {topic: "kestrel/{machine}/x", event: edge.moved, fields: {by_mm: {pointer: "", unit: in}, cause: {value: advance}}}
  run_logs:
    - {machine: quay/plover, files: log/*.csv, decimal: comma, separator: ";", columns: {job: 1, started: 2}, header: false, zone: Europe/Lisbon}
  ipp:
    - {machine: north/wren, url: "ipp://wren.example/ipp/print"}
`)
	rows := c.Signals()
	if f := rows[0].Fields["by_mm"]; f.Pointer == nil || *f.Pointer != "" || f.Unit != "in" || rows[0].Check() != nil {
		t.Errorf("%+v", rows[0])
	}
	logs, err := c.RunLogs()
	if err != nil || len(logs) != 1 || logs[0].Machine != "plover" || logs[0].Format.Decimal != "," || logs[0].Format.Header || logs[0].Format.Zone.String() != "Europe/Lisbon" {
		t.Errorf("%+v, %v", logs, err)
	}
	printers, roots, err := c.Printers()
	if err != nil || roots != nil || printers[0] != (ipp.Printer{URL: "ipp://wren.example/ipp/print", Site: "north", Machine: "wren"}) {
		t.Errorf("%v, %v, %v", printers, roots, err)
	}
	if all := strings.Join(c.Warnings, "\n"); !strings.Contains(all, "sources.signals[0] moves the edge by a distance and has no debounce") {
		t.Errorf("no word of a message that comes twice:\n%s", all)
	}
}

// TestPlace finds machines as signals name them, and guesses at none.
func TestPlace(t *testing.T) {
	c := load(t, twoSites)
	for _, row := range []struct{ site, machine, want string }{
		{"north", "heron", "north/heron"}, {"", "plover", "quay/plover"}, {"", "KL-HERON-01", "north/heron"},
		{"north", "KL-HERON-01", "north/heron"}, {"quay", "any", "quay/any"},
		{"quay", "heron", ""}, {"", "any", ""}, {"", "", ""}, {"south", "any", ""}, {"", "KL-9", ""},
	} {
		site, machine, err := c.Place(row.site, row.machine)
		if got := site + "/" + machine; err == nil && got != row.want || err != nil && row.want != "" {
			t.Errorf("%s/%s: want %s, got %s, %v", row.site, row.machine, row.want, got, err)
		}
	}
	if got := c.Nowhere(); got != event.AnySite {
		t.Errorf("what is of no machine is told to %q, though there are two sites", got)
	}
	if got := Default().Nowhere(); got != "shop" {
		t.Errorf("what is of no machine is told to %q, and there is one site", got)
	}
	if _, _, err := c.Place("", "owl"); err == nil || !strings.Contains(err.Error(), `got "owl"`) {
		t.Errorf("want the name as it came, got %v", err)
	}
}
