package app

import (
	"bytes"
	"net/http"
	"testing"

	"github.com/rs/zerolog"
)

// TestBadConnectionsDoNotFillTheLog has the server complain as it does of each
// connection that speaks no TLS.
func TestBadConnectionsDoNotFillTheLog(t *testing.T) {
	var out bytes.Buffer
	s := newServer(http.NotFoundHandler(), zerolog.New(&out))
	for range 500 {
		s.ErrorLog.Print("http: TLS handshake error from 127.0.0.1:1: EOF")
	}
	if n := bytes.Count(out.Bytes(), []byte("\n")); n == 0 || n > 20 { // a minute may end meanwhile
		t.Errorf("500 bad connections made %d lines", n)
	}
}
