package config

import (
	"strings"
	"testing"
)

func TestPartitionsWantACluster(t *testing.T) {
	_, err := tryLoad(t, "nats: {partitions: 8}\n")
	if err == nil || !strings.Contains(err.Error(), "nats.url is missing: want the cluster whose streams the partitions are") {
		t.Errorf("got %v", err)
	}
	c := load(t, "nats: {url: \"nats://127.0.0.1:4222\", partitions: 8}\n")
	if p, err := c.Partitions(); err != nil || p.Len() != 8 {
		t.Errorf("got %d partitions, %v", p.Len(), err)
	}
	if p, err := Default().Partitions(); err != nil || p.Len() != 1 || p.Of("north") != 0 {
		t.Errorf("without any: %d, %v", p.Len(), err)
	}
}
