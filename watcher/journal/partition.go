package journal

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

// MaxPartitions is how many partitions there may be.
const MaxPartitions = 512

// Partitions divide the sites of a floor that is too large for one watch. A
// site lies in one partition as a whole, since what is true of it (its air, its
// stocks) concerns all its machines. Each partition is a journal of its own.
//
// Senders know nothing of this: NATS itself maps floor.<site>.> to
// part.<n>.floor.<site>.>, by the rule that Mapping returns and that the
// account in the server's configuration must have. Which n that is, is computed
// here by the server's own code.
type Partitions struct {
	n  int
	to server.SubjectTransformer
}

// NewPartitions returns n partitions, 1 to MaxPartitions. With one there is no
// mapping, and its journal is the one that a watch without partitions has.
func NewPartitions(n int) (Partitions, error) {
	if n < 1 || n > MaxPartitions {
		return Partitions{}, fmt.Errorf("partitions: want 1 to %d, got %d", MaxPartitions, n)
	}
	p := Partitions{n: n}
	if n == 1 {
		return p, nil
	}
	to, err := server.NewSubjectTransform(p.Mapping())
	if err != nil {
		return Partitions{}, fmt.Errorf("partitions: %w", err)
	}
	p.to = to
	return p, nil
}

// Mapping is the rule for the NATS account (NATS documentation, "Subject Mapping
// and Partitioning").
func (p Partitions) Mapping() (from, to string) {
	return event.SubjectRoot + ".*.>", fmt.Sprintf("%s.{{partition(%d,1)}}.%s.{{wildcard(1)}}.>", partitionRoot, p.n, event.SubjectRoot)
}

// partitionRoot is the first token of a mapped subject.
const partitionRoot = "part"

// Len is how many partitions there are.
func (p Partitions) Len() int { return p.n }

// Of is the partition of a site, 0 to Len-1.
func (p Partitions) Of(site string) int {
	if p.n == 1 {
		return 0
	}
	subject := p.to.TransformSubject(event.Subject(site, event.AnyMachine, "x"))
	n, _ := strconv.Atoi(strings.Split(subject, ".")[1]) // the rule puts the number there
	return n
}

// Stream is the name of a partition's stream.
func (p Partitions) Stream(n int) string {
	if p.n == 1 {
		return StreamName
	}
	return StreamName + "-" + strconv.Itoa(n)
}

// Options are those of a whole journal, made those of one partition.
func (p Partitions) Options(o Options, n int) Options {
	o.Stream, o.prefix = p.Stream(n), ""
	if p.n > 1 {
		o.prefix = partitionRoot + "." + strconv.Itoa(n) + "."
	}
	return o
}

// Errors of the JetStream API by which a stream refuses a probe. Source: the
// error list of nats-server, server/errors.json.
const (
	codeOtherStream   jetstream.ErrorCode = 10060 // JSStreamNotMatchErr
	codeWrongSequence jetstream.ErrorCode = 10071 // JSStreamWrongLastSequenceErrF
)

// neverSequence is a sequence that no journal reaches.
const neverSequence = 1 << 60

// Check asks NATS where it would store the events of some sites, and stores
// nothing: a probe demands the stream that it should meet, and a last sequence
// that no stream has, so that the right one refuses it as well.
func (p Partitions) Check(ctx context.Context, js jetstream.JetStream, sites []string) error {
	if p.n == 1 {
		return nil
	}
	for _, site := range sites {
		want := p.Stream(p.Of(site))
		_, err := js.PublishMsg(ctx, &nats.Msg{Subject: event.Subject(site, event.AnyMachine, "x")},
			jetstream.WithExpectStream(want), jetstream.WithExpectLastSequence(neverSequence))
		switch {
		case hasCode(err, codeWrongSequence):
		case err == nil, hasCode(err, codeOtherStream), errors.Is(err, jetstream.ErrNoStreamResponse), errors.Is(err, nats.ErrNoResponders):
			from, to := p.Mapping()
			return fmt.Errorf("NATS does not store the events of site %s in stream %s: put this into the account of the watch in the configuration of every NATS server: mappings: { %q: %q }", site, want, from, to)
		default:
			return fmt.Errorf("ask NATS where it stores the events of site %s: %w", site, err)
		}
	}
	return nil
}
