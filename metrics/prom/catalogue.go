package prom

import (
	"fmt"
	"slices"
	"strings"
)

// Catalogue writes the table of metrics and their labels as Markdown.
func Catalogue() string {
	var b strings.Builder
	b.WriteString(`# Metrics

Generated from the table in metrics/prom; do not edit. Served at ` + "`/metrics`" + `.

- Counters are folds of the journal. They go on over a restart, and they are
  shown only once the journal has been read to its end.
- Where the floor is divided (` + "`nats.partitions`" + `), metrics of the floor have the
  label ` + "`" + PartitionLabel + "`" + ` besides. A partition is shown whole by the watch that holds it
  and by no other, and its counters go on where they were when another watch
  takes it over. ` + "`max without (instance) (...)`" + ` follows them from watch to watch, as
  deploy/prometheus/rules/floor.yml records it; a sum of increases over instances
  counts twice what happened between two turns of one watch.
- Every series of a configured machine and of a table exists at zero from the
  start. A gauge whose value nobody knows is absent, and
  ` + "`rollwarden_fact_unknown`" + ` is 1.
- Machines, channels and hazards that are not configured are summed under the
  label value ` + "`" + Unconfigured + "`" + `, so that the number of series is bounded.
- A counter never falls. What a person takes back stays counted, and
  ` + "`rollwarden_entries_undone_total`" + ` counts it by the type of the entry:
  ` + "`sum(rollwarden_head_strikes_total) - sum(rollwarden_entries_undone_total{type=\"strike.recorded\"})`" + `
  is the number of head strikes that stand. Areas and times that were taken back
  are not among the metrics.
- Costs follow the price list in use, the past included. A counter that fell with
  a lower price would be read as a reset, and all of it counted again; so the
  label ` + "`prices`" + ` names the list, by a fingerprint of its prices and the currency, and
  with another list other series begin. Their first value is no increase. Under a
  list that comes back its series go on, and count what happened meanwhile at
  its prices besides: sum increases over ` + "`prices`" + ` only where no list came back.

| metric | of | type | unit | labels | meaning |
|---|---|---|---|---|---|
`)
	for _, m := range Table {
		labels := make([]string, len(m.Labels))
		for i, l := range m.Labels {
			labels[i] = "`" + l.Name + "`"
		}
		of := "floor"
		if m.Live {
			of = "program"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s |\n", m.Name, of, m.Type,
			strings.ReplaceAll(m.Unit, "_", " "), strings.Join(labels, ", "), m.Help)
	}
	b.WriteString("\n## Labels\n\n| label | of | values |\n|---|---|---|\n")
	for _, l := range labels() {
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", l.Name, strings.Join(l.of, ", "), l.values())
	}
	return b.String()
}

// used is a label with the metrics that have it.
type used struct {
	Label
	of []string
}

// labels lists the labels in the order in which the table first uses them. Two
// labels may share a name and differ in their values.
func labels() []used {
	var all []used
	for _, m := range Table {
		for _, l := range m.Labels {
			i := slices.IndexFunc(all, func(u used) bool { return u.Name == l.Name && u.From == l.From })
			if i < 0 {
				all = append(all, used{Label: l})
				i = len(all) - 1
			}
			all[i].of = append(all[i].of, "`"+m.Name+"`")
		}
	}
	for i := range all {
		if len(all[i].of) > 4 {
			all[i].of = []string{fmt.Sprintf("%d metrics", len(all[i].of))}
		}
	}
	return all
}

// values tells where a label's values come from, and lists those of a table.
func (u used) values() string {
	if u.Values == nil {
		return u.From
	}
	values := u.Values(&Options{})
	if len(values) == 0 || values[0] == Unconfigured || values[0] == "" || u.Name == goLabel.Name {
		return u.From
	}
	return u.From + ": `" + strings.Join(values, "`, `") + "`"
}
