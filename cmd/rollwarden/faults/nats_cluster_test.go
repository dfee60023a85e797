package faults

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// TestClusterLosesEachNode kills each of three NATS servers in the middle of
// everything, the leader of the journal first, and lets it come back. At each time
// two of three are there, which is what three copies of the journal need.
func TestClusterLosesEachNode(t *testing.T) {
	t.Parallel()
	rng, nodes := dice(t), startCluster(t)
	var addresses []string
	for _, n := range nodes {
		addresses = append(addresses, n.url())
	}
	urls := strings.Join(addresses, ",")
	awaitCluster(t, urls)
	tr := newTrial(t, urls, urls, urls, "ROLLWARDEN_NATS_REPLICAS=3")
	stop := tr.work(rng.Uint64())
	rounds := 1
	if long() {
		rounds = 5
	}
	for range rounds {
		led := tr.leader()
		slices.SortStableFunc(nodes, func(a, b *natsServer) int {
			return btoi(b.name == led) - btoi(a.name == led)
		})
		for _, node := range nodes {
			time.Sleep(time.Duration(rng.IntN(300)) * time.Millisecond)
			node.kill()
			tr.risk()
			node.start()
			tr.awaitCopies(len(nodes))
		}
	}

	// Two of three are too many: nothing can be stored, and the watch says so,
	// although one server still holds its connection.
	nodes[0].kill()
	nodes[1].kill()
	tr.awaitStatus(http.StatusServiceUnavailable)
	nodes[0].start()
	nodes[1].start()
	tr.awaitStatus(http.StatusOK)
	tr.risk()
	stop()
	tr.prove()
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// awaitCluster waits until the servers have agreed who leads JetStream.
func awaitCluster(t *testing.T, urls string) {
	t.Helper()
	js := dialNATS(t, urls)
	until(t, "the cluster has a leader", func() (bool, string) {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		_, err := js.AccountInfo(ctx)
		return err == nil, fmt.Sprint(err)
	})
}

// info is what the servers say of the journal.
func (tr *trial) info() (*jetstream.StreamInfo, error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	stream, err := tr.records.Stream(ctx, journalStream)
	if err != nil {
		return nil, err
	}
	return stream.CachedInfo(), nil
}

// leader is the name of the server that leads the journal.
func (tr *trial) leader() (name string) {
	tr.t.Helper()
	until(tr.t, "the journal has a leader", func() (bool, string) {
		info, err := tr.info()
		if err != nil || info.Cluster == nil {
			return false, fmt.Sprint(err)
		}
		name = info.Cluster.Leader
		return name != "", "none"
	})
	return name
}

// awaitCopies waits until so many servers have all of the journal.
func (tr *trial) awaitCopies(want int) {
	tr.t.Helper()
	until(tr.t, fmt.Sprintf("%d servers have the whole journal", want), func() (bool, string) {
		info, err := tr.info()
		if err != nil || info.Cluster == nil {
			return false, fmt.Sprint(err)
		}
		whole := 1 // the leader
		for _, p := range info.Cluster.Replicas {
			whole += btoi(p.Current && !p.Offline)
		}
		return whole == want, fmt.Sprintf("%+v", info.Cluster)
	})
}
