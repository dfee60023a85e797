package event_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/event"
)

// readOrFault decodes a message of unknown worth. Either the error is a fault
// that names a field, or the event can be written and read again unchanged.
func readOrFault(t *testing.T, m event.Message) {
	sent := bytes.Clone(m.Data)
	got, err := event.Decode(m)
	if !bytes.Equal(sent, m.Data) {
		t.Fatal("Decode changed the message")
	}
	if err != nil {
		f, ok := errors.AsType[*event.Fault](err)
		if !ok || f.Want == "" {
			t.Fatalf("want a fault that says what it wants, got %v", err)
		}
		return
	}
	if _, known := event.KindOf(got.Type); known != (got.Data != nil) {
		t.Fatalf("type %s has data %v", got.Type, got.Data)
	}
	if got.ID == "" || got.Source == "" || got.Time.IsZero() && !m.Stored.IsZero() {
		t.Fatalf("let in without an attribute: %+v", got)
	}
	data, err := event.Encode(got)
	if err != nil {
		t.Fatalf("read but cannot be written: %v", err)
	}
	again, err := event.Decode(event.Message{Subject: got.Subject(), Data: data, Stored: m.Stored})
	if err != nil {
		t.Fatalf("written but cannot be read: %v\n%s", err, data)
	}
	if diff := cmp.Diff(got, again); diff != "" {
		t.Fatalf("read, written and read again:\n%s\n%s", diff, data)
	}
}

func FuzzDecodeStructured(f *testing.F) {
	for _, kind := range event.Kinds {
		m := message(f, sample(f, kind))
		f.Add(m.Subject, m.Data)
		f.Add("floor.north.heron.not.known", m.Data)
	}
	for _, data := range []string{
		"", "{}", "null", "[]", leader + "{}", strings.Replace(leader, "900", "1e400", 1), strings.Replace(leader, "900", "null", 1),
		`{"specversion":"1.0","id":"1","source":"/s","type":"x","data_base64":"Zm9v"}`,
		`{"specversion":"1.0","id":"1","source":"/s","type":"x","datacontenttype":"text/plain","data":"\ud83d\ude00"}`,
		`{"specversion":"1.0","id":"1","source":"/s","type":"x","data":[1e400,{"a":{}}],"ext":-5}`,
		`{"\u0069d":"1"}`,
	} {
		f.Add("floor.north.heron.leader.attached", []byte(data))
		f.Add("floor.north.heron.not.known", []byte(data))
	}
	f.Fuzz(func(t *testing.T, subject string, data []byte) {
		readOrFault(t, event.Message{Subject: subject, Data: data, Stored: eight})
	})
}

// The short way of decoding and the long one, on which a space puts a message, say
// the same of any message.
func FuzzShortWay(f *testing.F) {
	for _, kind := range event.Kinds {
		m := message(f, sample(f, kind))
		f.Add(m.Subject, m.Data)
	}
	f.Fuzz(bothWays)
}

func bothWays(t *testing.T, subject string, data []byte) {
	rest, ok := bytes.CutPrefix(data, []byte("{"))
	if !ok {
		return
	}
	short, err := event.Decode(event.Message{Subject: subject, Data: data, Stored: eight})
	long, err2 := event.Decode(event.Message{Subject: subject, Data: append([]byte("{ "), rest...), Stored: eight})
	if (err == nil) != (err2 == nil) || err != nil && !strings.Contains(err.Error(), "at byte") && err.Error() != err2.Error() {
		t.Fatalf("the short way says %v and the long one %v of %s", err, err2, data)
	}
	if diff := cmp.Diff(short, long); diff != "" {
		t.Fatalf("the short way reads another event than the long one:\n%s\n%s", diff, data)
	}
}

// TestShortWay tries messages with a byte replaced, left out or doubled, at every
// third place, and with a part of another one in place of their end.
func TestShortWay(t *testing.T) {
	leader := message(t, sample(t, kindOf(t, "leader.attached"))).Data
	for k, kind := range event.Kinds {
		m := message(t, sample(t, kind))
		bothWays(t, m.Subject, m.Data)
		for i := k % 3; i < len(m.Data); i += 3 {
			for _, with := range []string{"", `"`, `\`, "}", " ", "\x00", "é", string(m.Data[i]) + string(m.Data[i])} {
				bothWays(t, m.Subject, slices.Concat(m.Data[:i], []byte(with), m.Data[i+1:]))
			}
			bothWays(t, m.Subject, slices.Concat(m.Data[:i], leader[min(i, len(leader)):]))
		}
	}
}

func FuzzDecodeBinary(f *testing.F) {
	f.Add("edge.moved", "a1", "/north/heron", "rollwarden.edge.moved", "2026-03-02T08:00:00Z", "application/json", []byte(`{"by_mm":-3,"cause":"rewind"}`))
	f.Add("edge.moved", "Euro%20%E2%82%AC", `"/quoted \"source\""`, "rollwarden.edge.moved", "", "", []byte("{}"))
	f.Add("not.known", "%C0%A0", "/s", "x", "yesterday", "text/plain", []byte("\xff\x00"))
	f.Add("not.known", "1", "/s", "x", "2026-03-02T08:00:00+14:00", "application/json", []byte(" 5 "))
	f.Fuzz(func(t *testing.T, typ, id, source, ceType, at, media string, body []byte) {
		header := map[string][]string{"ce-specversion": {"1.0"}, "ce-id": {id}, "CE-Source": {source}, "Ce-Type": {ceType}}
		if at != "" {
			header["ce-time"] = []string{at}
		}
		if media != "" {
			header["content-type"] = []string{media}
		}
		readOrFault(t, event.Message{Subject: "floor.north.heron." + typ, Header: header, Data: body, Stored: eight})
	})
}

func FuzzParseSubject(f *testing.F) {
	for _, s := range []string{"", "floor", "floor.north.heron.edge.moved", "floor.north.any.x", "floor...", "floor.a.b.>", "floor.a.b.c d", "floor.ä.b.c", "floor.a.b.\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, subject string) {
		site, machine, typ, err := event.ParseSubject(subject)
		if err != nil {
			if _, ok := errors.AsType[*event.Fault](err); !ok || site != "" || machine != "" || typ != "" {
				t.Fatalf("got %q, %q, %q with %v", site, machine, typ, err)
			}
			return
		}
		if got := event.Subject(site, machine, typ); got != subject {
			t.Fatalf("%q is built again as %q", subject, got)
		}
		if strings.ContainsAny(subject, " \t\r\n*>\x00") || event.CheckName("site", site) != nil || event.CheckName("machine", machine) != nil {
			t.Fatalf("%q was let in", subject)
		}
	})
}
