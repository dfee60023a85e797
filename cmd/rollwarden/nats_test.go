package main

import (
	"path/filepath"
	"strings"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"rollwarden/cmd/rollwarden/config"
)

// publish sends a file as a machine would, over plain NATS and without waiting
// for the journal.
func (s *shop) publish(args []string) {
	s.usage(!s.negated && len(args) >= 2, "publish SUBJECT FILE [Header=value...]")
	msg := &nats.Msg{Subject: args[0], Header: nats.Header{}, Data: []byte(strings.TrimSpace(s.ReadFile(args[1])))}
	for _, h := range args[2:] {
		name, value, ok := strings.Cut(h, "=")
		s.usage(ok, "publish SUBJECT FILE Header=value")
		msg.Header[name] = []string{value} // as it is written: CloudEvents headers are lowercase
	}
	conn, err := nats.Connect(s.Getenv("NATS"), nats.Timeout(patience))
	s.Check(err)
	defer conn.Close()
	s.Check(conn.PublishMsg(msg))
	s.Check(conn.FlushTimeout(patience))
}

// nats starts a server that somebody else runs.
func (s *shop) nats(args []string) {
	s.usage(!s.negated && len(args) == 0, "nats")
	srv, err := server.NewServer(&server.Options{
		ServerName: "elsewhere", Host: "127.0.0.1", Port: server.RANDOM_PORT, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: filepath.Join(s.dir, "elsewhere"),
	})
	s.Check(err)
	srv.Start()
	s.Defer(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(patience) {
		s.Fatalf("the NATS server is not ready after %s", patience)
	}
	s.Setenv(config.Variable("nats.url"), srv.ClientURL())
}
