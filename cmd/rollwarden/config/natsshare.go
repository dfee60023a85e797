package config

import (
	"time"

	"rollwarden/watcher/journal"
)

// NATSShare says how several daemons share the floor of an external NATS.
type NATSShare struct {
	Partitions int           `yaml:"partitions" min:"0" max:"512"`
	Lease      time.Duration `yaml:"lease" min:"2s" max:"5m"`
	Name       string        `yaml:"name"`
}

// Partitions divide the sites among the streams of an external NATS.
func (c *Config) Partitions() (journal.Partitions, error) {
	return journal.NewPartitions(max(1, c.NATS.Partitions))
}

// checkNATSShare wants another server where there is something to share.
func (c *Config) checkNATSShare(p *problems) {
	if c.NATS.URL == "" && c.NATS.Partitions > 1 {
		p.missing("nats.url", "the cluster whose streams the partitions are: the built-in server has one journal")
	}
}
