package prom

import (
	"fmt"
	"slices"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// shape is what a scrape needs to know about a row of Table to write its series.
type shape struct {
	desc      *prometheus.Desc
	partition string
	names     []string // of the labels, sorted, as a registry wants them
	from      []int    // where the value of each is among those of a series; partition when it is none of them
}

// shapeOf returns the shape of a row, for one partition or for none.
func shapeOf(m *Metric, partition string) *shape {
	s := &shape{partition: partition}
	var constant prometheus.Labels
	if partition != "" {
		constant = prometheus.Labels{PartitionLabel: partition}
		s.names = append(s.names, PartitionLabel)
	}
	s.desc = m.desc(constant)
	for _, l := range m.Labels {
		s.names = append(s.names, l.Name)
	}
	slices.Sort(s.names)
	for _, name := range s.names {
		s.from = append(s.from, slices.IndexFunc(m.Labels, func(l Label) bool { return l.Name == name }))
	}
	return s
}

// series writes the series of one metric.
type series struct {
	*shape
	kind  Type
	pairs pairs
	ch    chan<- prometheus.Metric
}

// add writes a series, with the values of its labels in the order of Table.
func (s series) add(v float64, values ...string) {
	labels := make([]*dto.LabelPair, len(s.names))
	for i, name := range s.names {
		switch at := s.from[i]; {
		case at < 0:
			labels[i] = s.pairs.of(name, s.partition)
		case at < len(values):
			labels[i] = s.pairs.of(name, values[at])
		default:
			s.ch <- prometheus.NewInvalidMetric(s.desc, fmt.Errorf("label %s has no value", name))
			return
		}
	}
	s.ch <- &sample{s.desc, s.kind, v, labels}
}

// histogram writes counts per bucket, of which the last one lies above every
// bound; none at all are as many zeros.
func (s series) histogram(bounds []float64, counts []uint64, sum float64, labels ...string) {
	below := make(map[float64]uint64, len(bounds))
	total := uint64(0)
	for i, bound := range bounds {
		if i < len(counts) {
			total += counts[i]
		}
		below[bound] = total
	}
	if len(counts) > len(bounds) {
		total += counts[len(bounds)]
	}
	m, err := prometheus.NewConstHistogram(s.desc, total, sum, below, labels...)
	if err != nil {
		m = prometheus.NewInvalidMetric(s.desc, err)
	}
	s.ch <- m
}

// sample is the prometheus.Metric of one counter or gauge. A constant metric of the
// library would do, and makes the pairs of its labels for itself: on a floor of a
// thousand machines they were most of what a scrape allocated.
type sample struct {
	desc   *prometheus.Desc
	kind   Type
	value  float64
	labels []*dto.LabelPair
}

// Desc implements prometheus.Metric.
func (s *sample) Desc() *prometheus.Desc { return s.desc }

// Write implements prometheus.Metric.
func (s *sample) Write(out *dto.Metric) error {
	out.Label = s.labels
	if s.kind == Counter {
		out.Counter = &dto.Counter{Value: &s.value}
	} else {
		out.Gauge = &dto.Gauge{Value: &s.value}
	}
	return nil
}

// pairs has each pair of a label and its value once, for all series of a scrape.
type pairs map[[2]string]*dto.LabelPair

func (p pairs) of(name, value string) *dto.LabelPair {
	key := [2]string{name, value}
	pair, made := p[key]
	if !made {
		pair = &dto.LabelPair{Name: &name, Value: &value}
		p[key] = pair
	}
	return pair
}
