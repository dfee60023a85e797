package gate

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
)

// Loopback reports whether an address to listen on, host:port, can be reached
// from this computer only. One without a host is that of every network.
func Loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// hosts are the names under which the server may be asked for. A page that an
// attacker serves can make his own name point here (DNS rebinding) and is then
// of the same origin as the server, but the browser still sends that name.
type hosts struct {
	names    map[string]bool
	loopback bool // every name of this computer to itself
	any      bool // every literal address: nobody can make one point elsewhere
}

func newHosts(listen, public string, more []string) (hosts, error) {
	h := hosts{names: map[string]bool{}, loopback: Loopback(listen)}
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return h, fmt.Errorf("listen address %q: want host:port", listen)
	}
	ip, err := netip.ParseAddr(host)
	if host == "" || err == nil && ip.IsUnspecified() {
		h.any, h.loopback = true, true
	} else {
		h.names[hostName(host)] = true
	}
	if u, err := url.Parse(public); err == nil && u.Hostname() != "" {
		h.names[hostName(u.Hostname())] = true
	}
	for _, name := range more {
		if CheckHost(name) != nil {
			return h, CheckHost(name)
		}
		h.names[hostName(name)] = true
	}
	return h, nil
}

// CheckHost wants a name or an address without scheme, port and path.
func CheckHost(name string) error {
	if _, err := netip.ParseAddr(name); err == nil {
		return nil
	}
	if name == "" || strings.ContainsAny(name, ":/@?#* \t\\") {
		return fmt.Errorf("host %q: want a name such as board.shop.example, without scheme, port and path", name)
	}
	return nil
}

// allow decides about a Host header.
func (h hosts) allow(header string) bool {
	host := header
	if name, _, err := net.SplitHostPort(header); err == nil {
		host = name
	}
	host = hostName(host)
	if h.names[host] {
		return true
	}
	if host == "localhost" {
		return h.loopback
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && (h.any || h.loopback && ip.IsLoopback())
}

// hostName writes a host in the one form in which hosts are compared.
func hostName(host string) string {
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if inner, ok := strings.CutPrefix(host, "["); ok {
		host = strings.TrimSuffix(inner, "]")
	}
	if ip, err := netip.ParseAddr(host); err == nil {
		return ip.Unmap().String()
	}
	return host
}

// address says where a request came from, as limits and the log name it. Behind
// a proxy that is what the proxy says, and of a list the last entry, which is
// the only one that the proxy wrote itself. One network of IPv6 is one client
// (RFC 4291 section 2.5.4: an interface has 64 bits of its own to choose from).
func (g *Gate) address(r *http.Request) string {
	peer := peerOf(r)
	if g.o.BehindProxy && near(peer) {
		list := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
		if ip, err := netip.ParseAddr(strings.TrimSpace(list[len(list)-1])); err == nil {
			peer = ip.Unmap()
		}
	}
	if peer.Is6() && !peer.IsLoopback() {
		if net, err := peer.WithZone("").Prefix(64); err == nil {
			return net.String()
		}
	}
	return peer.String()
}

// peerOf is the other end of the connection.
func peerOf(r *http.Request) netip.Addr {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{} // not over IP: all such clients are one
	}
	return at.Addr().Unmap()
}

// near reports whether a peer can be the proxy: on this host or in this network.
func near(peer netip.Addr) bool {
	return peer.IsLoopback() || peer.IsPrivate() || peer.IsLinkLocalUnicast()
}

// forwardedTLS reports whether the proxy says that the request reached it over
// TLS.
func forwardedTLS(r *http.Request) bool {
	return near(peerOf(r)) && strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https")
}
