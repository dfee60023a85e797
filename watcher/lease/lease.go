// Package lease lets several daemons share a floor: each holds a few of its
// shares, and when one dies the others take over what it held.
//
// It is a table in a JetStream key-value bucket, with a row for each share and
// one for each daemon. A row is written by compare-and-set on its revision, so
// that NATS's own consensus decides between two that want one share; there is
// none of ours. All a daemon has to do is to write its rows again and again.
//
//	holder    writes the row          stops by itself if it could not
//	          |------------- TTL - margin -------------|
//	others    see the row                              |  take it if nobody wrote it
//	            |------------------------ TTL ------------------------|
//
// A holder counts from before it sent its word, the others from after they saw
// it, each by a clock of its own that only has to run, not to be right. So a
// holder has stopped before another begins, whatever the network does between
// them, and no server's clock has a say in it. One that was stopped in its
// tracks (a suspended computer, a paused process) finds its time run out when it
// wakes: whoever acts for a share asks Held first.
package lease

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

// Holder is a daemon as the others know it.
type Holder struct {
	ID   string `json:"id"`           // kept over a restart, after which it need not wait for itself
	Name string `json:"name"`         // for people
	URL  string `json:"url,omitzero"` // of its board; may be empty
}

// row is what stands in the table.
type row struct {
	Holder
	Run string `json:"run"` // another one for each process, so that a copy of a daemon is not taken for it
}

// Options say what is shared, and by whom.
type Options struct {
	Bucket   string        // name of the table
	Replicas int           // copies of a new one; 1 when 0
	Shares   int           // 1 or more
	TTL      time.Duration // after which a silent holder is taken for dead; at least a second
	Me       Holder
	Log      zerolog.Logger
}

// The parts of a TTL. A holder has several tries to write its row, and stops
// well before the others may begin, so that what it is doing can end.
const (
	roundsPerTTL  = 5
	marginsPerTTL = 5
)

// Margin is how long before the others may begin a holder has stopped. What it has
// under way must end in that time.
func Margin(ttl time.Duration) time.Duration { return ttl / marginsPerTTL }

// sweepAfter is how many TTLs a row is kept that nobody writes any more.
const sweepAfter = 20

// DefaultTTL bridges the election of a new leader in a NATS cluster, which takes
// some seconds (NATS, raft.go: election timeouts of 4 to 9 s).
const DefaultTTL = 15 * time.Second

// Open opens the table, and makes it if need be.
func Open(ctx context.Context, js jetstream.JetStream, o Options) (*Table, error) {
	if o.TTL < time.Second {
		return nil, fmt.Errorf("lease: want at least %s, got %s", time.Second, o.TTL)
	}
	if o.Shares < 1 || o.Me.ID == "" {
		return nil, fmt.Errorf("lease: want shares and the id of this daemon, got %d and %q", o.Shares, o.Me.ID)
	}
	config := jetstream.KeyValueConfig{
		Bucket: o.Bucket, Description: "which daemon watches what", TTL: sweepAfter * o.TTL, Replicas: max(1, o.Replicas),
	}
	kv, err := js.KeyValue(ctx, o.Bucket)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		kv, err = js.CreateKeyValue(ctx, config)
	}
	if errors.Is(err, jetstream.ErrBucketExists) { // another daemon was faster
		kv, err = js.KeyValue(ctx, o.Bucket)
	}
	if err != nil {
		return nil, fmt.Errorf("open the table of leases %s: %w: let the watch use key-value buckets in that NATS account", o.Bucket, err)
	}
	run := rand.Text()
	text, err := json.Marshal(row{o.Me, run})
	if err != nil {
		return nil, fmt.Errorf("lease: %w", err)
	}
	return &Table{o: o, js: js, kv: kv, run: run, row: text, seen: map[string]sighting{}, terms: map[int]*term{}}, nil
}

// wrongRevision reports whether a row was not as it was thought to be.
func wrongRevision(err error) bool {
	var api jetstream.JetStreamError
	return errors.Is(err, jetstream.ErrKeyExists) ||
		errors.As(err, &api) && api.APIError() != nil && api.APIError().ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence
}

// closed reports whether the connection will never come back.
func closed(err error) bool {
	return errors.Is(err, nats.ErrConnectionClosed) || errors.Is(err, nats.ErrConnectionDraining)
}
