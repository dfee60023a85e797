package bus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
)

// embedded is the nats-server inside this process and the folder it holds.
type embedded struct {
	server *server.Server
	said   *serverLog
	dir    string
	listen bool
	mqtt   string      // scheme of the MQTT listener, empty when there is none
	login  nats.Option // of this process; nil when nobody logs in
	lock   *lock
}

// startTimeout bounds the start, which reads the whole store back.
const startTimeout = 2 * time.Minute

// maxMemory is what the embedded server may keep in memory, bytes. The
// journal is on disk and its readers keep no state worth speaking of.
const maxMemory = 64 << 20

// maxClients is how many programs may be connected at one time. A shop has tens
// of them.
const maxClients = 4096

// startEmbedded takes the folder and starts a server on it.
func startEmbedded(ctx context.Context, o Options) (*embedded, error) {
	opts, err := serverOptions(o)
	if err != nil {
		return nil, err
	}
	login, err := letIn(opts, o.Users)
	if err != nil {
		return nil, err
	}
	lock, err := lockFolder(o.StoreDir)
	if err != nil {
		return nil, err
	}
	e := &embedded{dir: o.StoreDir, listen: !opts.DontListen, mqtt: mqttScheme(o), login: login, lock: lock}
	if err := e.start(ctx, opts, o.Log); err != nil {
		return nil, errors.Join(err, e.stop())
	}
	warnIfOpen(o.Log, opts)
	return e, nil
}

// serverOptions leaves signals and logging to the program, and sets every
// limit that would otherwise follow from the size of the disk.
func serverOptions(o Options) (*server.Options, error) {
	if o.StoreDir == "" {
		return nil, errors.New("store folder is missing: want a folder for the journal")
	}
	if o.MaxStore <= 0 {
		return nil, fmt.Errorf("store limit: want a number of bytes above 0, got %d", o.MaxStore)
	}
	opts := &server.Options{
		ServerName:         o.Name,
		NoSigs:             true,
		NoLog:              true, // replaced by the adapter
		DontListen:         o.Listen == "",
		JetStream:          true,
		StoreDir:           o.StoreDir,
		SyncAlways:         o.SyncAlways,
		JetStreamMaxStore:  o.MaxStore,
		JetStreamMaxMemory: maxMemory,
		MaxConn:            maxClients,
		TLSTimeout:         tlsSeconds,
		AuthTimeout:        loginSeconds,
	}
	var err error
	if o.TLS != nil {
		if opts.TLSConfig, err = o.TLS(); err != nil {
			return nil, err
		}
	}
	if !opts.DontListen {
		opts.Host, opts.Port, err = splitListen(o.Listen)
	}
	if o.MQTT != "" && err == nil {
		opts.MQTT.Host, opts.MQTT.Port, err = splitListen(o.MQTT)
		opts.MQTT.TLSConfig, opts.MQTT.TLSTimeout = opts.TLSConfig, tlsSeconds
		opts.MQTT.AuthTimeout = loginSeconds
	}
	return opts, err
}

// How long the server waits for a TLS handshake, and for a login to be looked
// at. A small device takes a second or two for the one, and a busy computer for
// the other when many log in after a restart.
const (
	tlsSeconds   = 5
	loginSeconds = 20
)

// splitListen reads host:port. NATS writes "any free port" as -1.
func splitListen(listen string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(listen)
	if err == nil {
		port, err = strconv.Atoi(text)
	}
	if err != nil || port < -1 || port > 65535 {
		return "", 0, fmt.Errorf("listen address %q: want host:port such as 127.0.0.1:4222; port 0 takes any free one", listen)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	return host, port, nil
}

// start runs the server until it is ready, fails, or the context ends.
func (e *embedded) start(ctx context.Context, opts *server.Options, log zerolog.Logger) error {
	srv, err := server.NewServer(opts)
	if err != nil {
		return fmt.Errorf("prepare the built-in NATS server: %w", err)
	}
	e.server, e.said = srv, &serverLog{log: log, now: time.Now}
	srv.SetLoggerV2(e.said, false, false, false)

	ctx, cancel := context.WithTimeout(ctx, startTimeout)
	defer cancel()
	started := make(chan struct{})
	go func() {
		defer close(started)
		srv.Start()
	}()
	select {
	case <-started:
	case <-ctx.Done():
		srv.Shutdown()
		<-started
		return fmt.Errorf("start the built-in NATS server on %s: %w", e.dir, ctx.Err())
	}
	if reason := e.said.failure(); reason != "" {
		return explainStart(opts, reason)
	}
	if !srv.ReadyForConnections(startTimeout) {
		return fmt.Errorf("the built-in NATS server on %s is not ready after %s", e.dir, startTimeout)
	}
	return nil
}

// explainStart says what to change. The server reports why it cannot start
// only as text, which is kept whole.
func explainStart(opts *server.Options, reason string) error {
	if !strings.Contains(strings.ToLower(reason), "listen") {
		return fmt.Errorf("start the built-in NATS server on %s: %s: check that the folder can be written and its disk has room", opts.StoreDir, reason)
	}
	key, host, port := "nats.listen", opts.Host, opts.Port
	if strings.Contains(reason, "listen for MQTT") {
		key, host, port = "nats.mqtt.listen", opts.MQTT.Host, opts.MQTT.Port
	}
	next := "set it to an address of this computer and a port that this user may open"
	if strings.Contains(reason, syscall.EADDRINUSE.Error()) {
		next = "stop the program that has this port (it may be another watch), or set another " + key
	}
	return fmt.Errorf("%s: listen on %s: %s: %s; port 0 takes any free one", key, net.JoinHostPort(host, strconv.Itoa(port)), reason, next)
}

// url returns the address for clients, empty when the server listens nowhere.
func (e *embedded) url() string {
	if !e.listen {
		return ""
	}
	return e.server.ClientURL()
}

// mqttURL returns the address for MQTT clients, empty when there is none.
func (e *embedded) mqttURL() string {
	if e.mqtt == "" {
		return ""
	}
	at, err := e.server.Varz(nil)
	if err != nil {
		return "" // it has stopped
	}
	return e.mqtt + "://" + net.JoinHostPort(at.MQTT.Host, strconv.Itoa(at.MQTT.Port))
}

// mqttScheme is how MQTT clients write an address: mqtts over TLS.
func mqttScheme(o Options) string {
	switch {
	case o.MQTT == "":
		return ""
	case o.TLS != nil:
		return "mqtts"
	}
	return "mqtt"
}

// stop shuts the server down, waits for it and only then frees the folder.
func (e *embedded) stop() error {
	if e.server != nil {
		e.server.Shutdown()
		e.server.WaitForShutdown()
	}
	return e.lock.release()
}

// warnIfOpen speaks up when other computers can reach a server that asks nobody
// for a password.
func warnIfOpen(log zerolog.Logger, opts *server.Options) {
	if len(opts.Users)+len(opts.Nkeys) > 0 {
		return
	}
	open := !opts.DontListen && !onlyHere(opts.Host) || opts.MQTT.Port != 0 && !onlyHere(opts.MQTT.Host)
	if open {
		log.Warn().Str("host", opts.Host).Msg("NATS listens beyond this computer and asks for no password: anyone on the network can write to the journal")
	}
}

// onlyHere reports whether a host can be reached from this computer alone.
func onlyHere(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
