package archive

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/nats-io/nats.go"
)

// The requests of the JetStream API and their answers. Source: NATS, "JetStream
// wire API Reference", and the types in nats-server's server/jetstream_api.go.
const (
	snapshotSubject = "$JS.API.STREAM.SNAPSHOT."
	restoreSubject  = "$JS.API.STREAM.RESTORE."
)

const (
	chunkBytes = 128 << 10        // of one message with a part of a stream
	answerWait = 30 * time.Second // for one answer, or one part
)

// description is a stream's configuration and state as the server wrote them.
// Fields that this program does not know are kept.
type description struct {
	Config map[string]json.RawMessage `json:"config"`
	State  json.RawMessage            `json:"state"`
}

func (d description) name() (name string) {
	_ = json.Unmarshal(d.Config["name"], &name) // no name is none
	return name
}

// bytes is the size of all messages, as the server counts.
func (d description) bytes() int64 {
	var state struct {
		Bytes int64 `json:"bytes"`
	}
	_ = json.Unmarshal(d.State, &state) // no size is none
	return state.Bytes
}

// keepingAll is the description without an age limit, under which a server would
// let old entries go while they are read. The watch sets its own when it starts.
// A server that stands alone keeps one copy.
func (d description) keepingAll(alone bool) description {
	config := map[string]json.RawMessage{}
	for key, value := range d.Config {
		config[key] = value
	}
	config["max_age"] = json.RawMessage("0")
	if alone {
		config["num_replicas"] = json.RawMessage("1")
		delete(config, "placement")
	}
	return description{config, d.State}
}

// apiError is the error in an answer of the API.
type apiError struct {
	Error *struct {
		Code        int    `json:"err_code"`
		Description string `json:"description"`
	} `json:"error"`
}

// ask sends a request of the API and reads its answer.
func ask(ctx context.Context, nc *nats.Conn, subject string, request, answer any) error {
	body, err := json.Marshal(request)
	if err != nil {
		return err
	}
	reply, err := requestWithin(ctx, nc, subject, body, answerWait)
	if err != nil {
		return err
	}
	if err := refusal(reply.Data); err != nil {
		return err
	}
	return json.Unmarshal(reply.Data, answer)
}

func requestWithin(ctx context.Context, nc *nats.Conn, subject string, body []byte, wait time.Duration) (*nats.Msg, error) {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	reply, err := nc.RequestWithContext(ctx, subject, body)
	if errors.Is(err, nats.ErrNoResponders) {
		return nil, fmt.Errorf("%w: switch JetStream on in that NATS server, and let this user ask for %s", err, subject)
	}
	return reply, err
}

// refusal is the error in an answer, if there is one.
func refusal(answer []byte) error {
	if len(answer) == 0 {
		return nil
	}
	var failed apiError
	if err := json.Unmarshal(answer, &failed); err != nil {
		return fmt.Errorf("read the answer of NATS: %w", err)
	}
	if failed.Error != nil {
		return fmt.Errorf("NATS says: %s (%d)", failed.Error.Description, failed.Error.Code)
	}
	return nil
}

// take writes a stream as it is now into w. The server sends what it held when
// it was asked and goes on taking entries meanwhile.
func take(ctx context.Context, nc *nats.Conn, stream string, w io.Writer, tell func(done, total int64)) (d description, err error) {
	inbox := nc.NewInbox()
	sub, err := nc.SubscribeSync(inbox)
	if err != nil {
		return d, err
	}
	defer func() { err = errors.Join(err, sub.Unsubscribe()) }()
	if err := sub.SetPendingLimits(-1, -1); err != nil { // the server never sends more than its window ahead
		return d, err
	}
	request := map[string]any{"deliver_subject": inbox, "no_consumers": true, "chunk_size": chunkBytes}
	if err := ask(ctx, nc, snapshotSubject+stream, request, &d); err != nil {
		return d, err
	}
	for done := int64(0); ; {
		m, err := nextWithin(ctx, sub)
		if err != nil {
			return d, err
		}
		if len(m.Data) == 0 {
			return d, ended(m)
		}
		if _, err := w.Write(m.Data); err != nil {
			return d, err
		}
		if m.Reply != "" {
			if err := m.Respond(nil); err != nil {
				return d, err
			}
		}
		done += int64(len(m.Data))
		tell(done, d.bytes())
	}
}

func nextWithin(ctx context.Context, sub *nats.Subscription) (*nats.Msg, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	m, err := sub.NextMsgWithContext(ctx)
	if err != nil {
		return nil, fmt.Errorf("wait for the next part: %w", err)
	}
	return m, nil
}

// ended reads the empty message that ends a stream: its status is 204 when all
// is well, and none from older servers.
func ended(m *nats.Msg) error {
	if status := m.Header.Get("Status"); status != "" && status != "204" {
		return fmt.Errorf("NATS ended the copy: %s %s", status, m.Header.Get("Description"))
	}
	return nil
}

// put makes a stream of what take has written. It must not be there yet.
func put(ctx context.Context, nc *nats.Conn, d description, r io.Reader, size int64, tell func(done, total int64)) error {
	var answer struct {
		Deliver string `json:"deliver_subject"`
	}
	if err := ask(ctx, nc, restoreSubject+d.name(), d, &answer); err != nil {
		return err
	}
	chunk := make([]byte, min(chunkBytes, nc.MaxPayload()))
	for done := int64(0); ; {
		n, err := io.ReadFull(r, chunk)
		if n > 0 {
			reply, err := requestWithin(ctx, nc, answer.Deliver, chunk[:n], answerWait)
			if err != nil {
				return err
			}
			if err := refusal(reply.Data); err != nil {
				return err
			}
			done += int64(n)
			tell(done, size)
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	reply, err := nc.RequestWithContext(ctx, answer.Deliver, nil) // as long as the server works on it
	if err != nil {
		return err
	}
	return refusal(reply.Data)
}
