package signal

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"rollwarden/rules/event"
)

// The levels of a filter that are no names of their own.
const (
	siteLevel    = "{site}"
	machineLevel = "{machine}"
	oneLevel     = "+" // MQTT 3.1.1, section 4.7.1.3
	manyLevels   = "#" // section 4.7.1.2
)

// filter is a topic filter, level by level (MQTT 3.1.1, section 4.7).
type filter []string

// compile reads a filter. The first level is a name: it is what the watch's stream
// listens to, and no other program's messages should end up there.
func compile(topic string) (filter, error) {
	bad := func(want string) (filter, error) {
		f := &event.Fault{Field: "topic", Want: want}
		if topic != "" {
			f.Got = strconv.Quote(topic)
		}
		return nil, f
	}
	levels := strings.Split(topic, "/")
	for i, level := range levels {
		special := level == siteLevel || level == machineLevel || level == oneLevel || level == manyLevels
		switch {
		case level == "":
			return bad("a topic such as kestrel/{machine}/button, with no level empty")
		case strings.ContainsAny(level, " \t\r\n\f\x00\x7f.*>"):
			return bad("a topic without spaces, points, * and >, which NATS takes for something else")
		case i == 0 && (special || level == event.SubjectRoot || strings.ContainsAny(level[:1], "$_")):
			return bad(fmt.Sprintf("a topic that begins with a name of its own, which is not %q and begins with neither $ nor _", event.SubjectRoot))
		case level == manyLevels && i < len(levels)-1:
			return bad("# at the end of the topic only")
		case !special && strings.ContainsAny(level, "+#"):
			return bad("+ and # as whole levels")
		case !special && strings.ContainsAny(level, "{}"):
			return bad("{site} and {machine} as whole levels, and no other braces")
		case special && strings.HasPrefix(level, "{") && slices.Index(levels, level) < i:
			return bad(level + " once")
		}
	}
	return levels, nil
}

// match reports whether a topic fits, and what it says of site and machine.
func (f filter) match(topic string) (site, machine string, ok bool) {
	levels := strings.Split(topic, "/")
	for i, level := range f {
		if level == manyLevels {
			return site, machine, true // also of the level above it
		}
		if i >= len(levels) {
			return "", "", false
		}
		switch level {
		case siteLevel:
			site = levels[i]
		case machineLevel:
			machine = levels[i]
		case oneLevel:
		case levels[i]:
		default:
			return "", "", false
		}
	}
	return site, machine, len(levels) == len(f)
}

// subjects are those of a stream that takes in every message of the filters. The
// subjects of a stream must not overlap, so it is everything below their first
// levels.
func subjects(filters []filter) []string {
	var all []string
	for _, f := range filters {
		if s := f[0] + ".>"; !slices.Contains(all, s) {
			all = append(all, s)
			if len(f) == 1 || f[1] == manyLevels {
				all = append(all, f[0])
			}
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// topicOf turns a NATS subject back into the topic (nats-server, mqtt.go,
// natsSubjectToMQTTTopic): a level of a subject has no points, so those of a topic
// are written "//", and an empty level is written "/".
func topicOf(subject string) string {
	return strings.NewReplacer("//", ".", "/.", "/", "/", "", ".", "/").Replace(subject)
}

// Subjects are those on which a machine sends the row's signals; none when the row
// is about others. What is about a whole site any of its machines may send.
func (r *Row) Subjects(site, machine string) []string {
	f, err := compile(r.Topic)
	about := r.Machine == "" || r.Machine == machine || r.Machine == event.AnyMachine
	if err != nil || !about || r.Site != "" && r.Site != site {
		return nil
	}
	subject := strings.NewReplacer(siteLevel, site, machineLevel, machine, oneLevel, "*", manyLevels, ">", "/", ".").Replace(r.Topic)
	if above, many := strings.CutSuffix(subject, ".>"); many && f[len(f)-1] == manyLevels {
		return []string{above, subject} // MQTT 3.1.1, section 4.7.1.2
	}
	return []string{subject}
}
