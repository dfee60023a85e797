package config

import (
	"slices"
	"strings"
	"testing"
)

// TestShortKeep warns when the journal lets go what the reports still need. The
// longest two and three months in a row have 62 and 92 days (July and August
// with June or September), so the limits leave a day or more.
func TestShortKeep(t *testing.T) {
	for keep, want := range map[string]string{
		"0s": "", "2256h": "", "8760h": "",
		"2255h": "only as long as data/months is kept", "1512h": "only as long as data/months is kept",
		"1511h": "misses its beginning", "720h": "misses its beginning", "1m": "misses its beginning",
	} {
		c := load(t, "nats: {keep: "+keep+"}\n")
		i := slices.IndexFunc(c.Warnings, func(w string) bool { return strings.HasPrefix(w, "nats.keep is ") })
		switch {
		case want == "" && i >= 0:
			t.Errorf("%s: got the warning %q", keep, c.Warnings[i])
		case want != "" && (i < 0 || !strings.Contains(c.Warnings[i], want)):
			t.Errorf("%s: want a warning with %q, got %q", keep, want, c.Warnings)
		}
	}
}
