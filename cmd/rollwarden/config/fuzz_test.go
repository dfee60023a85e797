package config

import (
	"errors"
	"strings"
	"testing"
)

// FuzzDecode reads any text as a file. Nothing may panic, whatever loads must
// give a site, and every problem must name a place.
func FuzzDecode(f *testing.F) {
	f.Add(string(Example()))
	f.Add(string(settings.ReplaceAll(Example(), []byte("$1$2"))))
	f.Add(kestrelLane)
	f.Add("a: &a {b: *a}\n? [x]\n: y\n<<: {log: 1}")
	f.Add("machines: [[], {}, 1, ~]\nodds: {bare: {1: 2}}\ninks: {'': }\nstocks: [~]")
	f.Fuzz(func(t *testing.T, text string) {
		c := Default()
		c.origins = origins{}
		p := &problems{origins: c.origins, blamed: map[string]bool{}}
		c.decode("fuzz.yaml", []byte(text), p)
		c.check(p)
		err := p.err()
		if err == nil {
			if _, err := c.Site(); err != nil {
				t.Errorf("loads and gives no site: %v", err)
			}
			return
		}
		for _, one := range p.list {
			problem, ok := errors.AsType[*Problem](one)
			if ok && problem.Where == "configuration" || !strings.HasPrefix(one.Error(), "fuzz.yaml:") {
				t.Errorf("%q names no place", one)
			}
		}
	})
}
