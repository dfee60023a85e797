package bus

import (
	"regexp"
	"slices"
	"strings"
	"time"
)

// Denial is what somebody sent, once or again and again, and was not allowed to. A
// sender by MQTT 3.1.1 does not hear of it: that version has an acknowledgement and no
// refusal (section 3.3.5), and the server acknowledges.
type Denial struct {
	Subject string    // as NATS writes it: a.b for the topic a/b
	By      string    // what the sender calls itself, and its address
	Times   int       // since the server began
	At      time.Time // of the last time
}

// mostDenials is how many are remembered; the one that was last seen longest ago goes
// first.
const mostDenials = 20

// violation is how the server tells its log of a denied message, and nobody else:
// address, kind and number of the connection, what the client calls itself, subject.
// Source: nats-server, server/client.go, pubPermissionViolation and String.
var violation = regexp.MustCompile(`^(\S+):\d+ - \w+:\d+(?: - (.*))? - Publish Violation - Subject "(.*)"$`)

// mqttMessages is where the server puts what comes with a QoS above 0.
const mqttMessages = "$MQTT.msgs."

// deny remembers a denied message, if a line of the log tells of one.
func (l *serverLog) deny(line string) {
	m := violation.FindStringSubmatch(line)
	if m == nil {
		return
	}
	d := Denial{Subject: clip(strings.TrimPrefix(m[3], mqttMessages)), By: strings.TrimSpace(clip(m[2]) + " at " + m[1])}
	l.mu.Lock()
	defer l.mu.Unlock()
	i := slices.IndexFunc(l.denied, func(o Denial) bool { return o.Subject == d.Subject && o.By == d.By })
	if i >= 0 {
		d.Times = l.denied[i].Times
		l.denied = slices.Delete(l.denied, i, i+1)
	} else if len(l.denied) == mostDenials {
		l.denied = l.denied[1:]
	}
	d.Times, d.At = d.Times+1, l.now()
	l.denied = append(l.denied, d)
}

// clip bounds a text that a sender chose.
func clip(text string) string {
	const most = 200
	if len(text) > most {
		text = text[:most] + "…"
	}
	return strings.ToValidUTF8(text, "")
}

// Denied lists what was not allowed, the newest first. It is known of the embedded
// server only, since it started.
func (b *Bus) Denied() []Denial {
	if b.srv == nil {
		return nil
	}
	b.srv.said.mu.Lock()
	defer b.srv.said.mu.Unlock()
	all := slices.Clone(b.srv.said.denied)
	slices.Reverse(all)
	return all
}
