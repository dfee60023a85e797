package gate

import (
	"net/http/httptest"
	"testing"
)

// TestHosts asks for the server under names of its own and of others.
func TestHosts(t *testing.T) {
	for _, test := range []struct {
		listen, public string
		more           []string
		yes, no        []string
	}{
		{
			listen: "127.0.0.1:8477",
			yes:    []string{"127.0.0.1:8477", "127.0.0.1", "127.9.9.9:1", "localhost", "LocalHost:8477", "localhost.", "[::1]:8477", "[::1]", "[::ffff:127.0.0.1]"},
			no:     []string{"", "evil.example", "evil.example:8477", "127.0.0.1.evil.example", "localhost.evil.example", "192.0.2.7", "0.0.0.0", "[::]", "127.1", "2130706433", "127.0.0.1@evil.example", "evil.example#127.0.0.1", "127.0.0.1:8477:1"},
		},
		{
			listen: "192.0.2.7:8477", public: "https://Board.kestrel-lane.example:444", more: []string{"wren-board", "2001:db8::7"},
			yes: []string{"192.0.2.7:8477", "board.kestrel-lane.example", "board.kestrel-lane.example.:444", "wren-board:8477", "[2001:db8::7]:8477", "[2001:DB8:0::7]"},
			no:  []string{"localhost", "127.0.0.1", "192.0.2.8", "kestrel-lane.example", "x.board.kestrel-lane.example"},
		},
		{
			listen: ":8477",
			yes:    []string{"192.0.2.7", "[2001:db8::7]:8477", "localhost", "127.0.0.1:8477"},
			no:     []string{"evil.example", "board", "", "1.2.3", "::1]"},
		},
		{listen: "board.kestrel-lane.example:8477", yes: []string{"board.kestrel-lane.example:8477"}, no: []string{"127.0.0.1", "localhost"}},
	} {
		h, err := newHosts(test.listen, test.public, test.more)
		if err != nil {
			t.Fatal(err)
		}
		for _, host := range test.yes {
			if !h.allow(host) {
				t.Errorf("%s: %q is refused", test.listen, host)
			}
		}
		for _, host := range test.no {
			if h.allow(host) {
				t.Errorf("%s: %q is let through", test.listen, host)
			}
		}
	}
	for name, ok := range map[string]bool{"board": true, "board.example": true, "192.0.2.7": true, "2001:db8::7": true, "": false, "*": false, "board:1": false, "https://board": false, "a b": false, "u@board": false} {
		if (CheckHost(name) == nil) != ok {
			t.Errorf("%q: got %v", name, CheckHost(name))
		}
	}
}

func TestForeignHost(t *testing.T) {
	w := open(t, shopOptions(t))
	cookie := w.enter("ines", supervisorPassword)
	w.get("/", cookie, "Host: evil.example", asPerson).wants(t, 421).says(t, "page kind=wrong-host")
	w.login("ines", supervisorPassword, "/", "Host: evil.example").wants(t, 421)
	w.get("/healthz", "Host: evil.example").wants(t, 421)
}

// TestBehindProxy speaks as the proxy, and as somebody who reaches the port
// past it.
func TestBehindProxy(t *testing.T) {
	o := shopOptions(t)
	o.Listen, o.BehindProxy, o.PublicURL = "127.0.0.1:8477", true, "https://board.kestrel-lane.example"
	w := open(t, o)
	const public = "Host: board.kestrel-lane.example"
	got := w.login("mira", viewerPassword, "/", public, "X-Forwarded-Proto: https", "Origin: https://board.kestrel-lane.example").wants(t, 303)
	if c := got.Cookies()[0]; c.Name != secureCookie || !c.Secure {
		t.Errorf("want a cookie for TLS alone, got %v", c)
	}
	w.login("mira", viewerPassword, "/", public, "X-Forwarded-Proto: http").wants(t, 403).says(t, "page kind=need-tls")
	w.login("mira", viewerPassword, "/").wants(t, 403, "past the proxy")
	w.get("/healthz").wants(t, 200, "a probe past the proxy")

	for _, test := range []struct {
		peer, forwarded, address string
		tls                      bool
	}{
		{"127.0.0.1:1", "203.0.113.9", "203.0.113.9", true},
		{"10.1.2.3:1", "198.51.100.1, 203.0.113.9", "203.0.113.9", true}, // the client can write the first
		{"[fd00::1]:1", "2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64", true},
		{"127.0.0.1:1", "::ffff:203.0.113.9", "203.0.113.9", true},
		{"127.0.0.1:1", "", "127.0.0.1", true},
		{"127.0.0.1:1", "unknown", "127.0.0.1", true},
		{"127.0.0.1:1", "203.0.113.9, ", "127.0.0.1", true},
		{"203.0.113.5:1", "198.51.100.1", "203.0.113.5", false}, // not from this network
		{"[2001:db8:1:2:3::5]:1", "198.51.100.1", "2001:db8:1:2::/64", false},
		{"[::1]:1", "", "::1", true},
		{"@", "203.0.113.9", "invalid IP", false},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = test.peer
		r.Header.Set("X-Forwarded-Proto", "https")
		if test.forwarded != "" {
			r.Header.Set("X-Forwarded-For", test.forwarded)
		}
		if got := w.gate.address(r); got != test.address || forwardedTLS(r) != test.tls {
			t.Errorf("%s for %q: want %s, %t, got %s, %t", test.peer, test.forwarded, test.address, test.tls, got, forwardedTLS(r))
		}
	}
	direct := open(t, shopOptions(t))
	r := httptest.NewRequest("GET", "/", nil)
	r.RemoteAddr = "127.0.0.1:1"
	r.Header.Set("X-Forwarded-For", "203.0.113.9")
	if got := direct.gate.address(r); got != "127.0.0.1" {
		t.Errorf("want no header believed without a proxy, got %s", got)
	}
}
