package app

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"rollwarden/watcher/bus"
	"rollwarden/watcher/gate"
)

// hush is a shop whose every secret can be recognised, and a copy of the program
// that runs with them as its own process.
type hush struct {
	*testing.T
	dir, program string
	environ      []string
	secrets      map[string]string // by what each is
	pool         *x509.CertPool
	log          *growing
}

// growing is an output that can be read while it is written.
type growing struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (g *growing) Write(b []byte) (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.buf.Write(b)
}

func (g *growing) String() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.buf.String()
}

func (h *hush) file(name, text string) {
	h.Helper()
	if err := os.WriteFile(filepath.Join(h.dir, name), []byte(text), 0o600); err != nil {
		h.Fatal(err)
	}
}

// secret makes a secret that stands nowhere else.
func (h *hush) secret(what string) string {
	h.secrets[what] = "hush-" + strings.ReplaceAll(what, " ", "-") + "-" + hex.EncodeToString([]byte(what)) + "-0123456789abcdef"
	return h.secrets[what]
}

const hushConfig = `
log: {level: trace, format: json}
machines: [{site: north, name: heron}]
data: {folder: data}
tickets: {folder: tickets}
http:
  listen: 127.0.0.1:0
  tls: {cert_file: cert.pem, key_file: key.pem}
  users: [{name: ines, role: supervisor, password_hash_file: ines.hash}]
  tokens: [{name: feed, role: operator, token_file: token}, {name: shop, role: supervisor, env: SHOP_TOKEN}]
nats:
  listen: %s
  user: commands
  password_file: commands.password
  tls: {ca_file: cert.pem}
  server_tls: {cert_file: cert.pem, key_file: key.pem}
  users:
    - {name: heron, machine: north/heron, key: %s}
    - {name: commands, role: watch, password_hash_file: commands.hash}
    - {name: archive, role: reader, env: ARCHIVE_HASH}
pager:
  routes: {high: [log, alertmanager, webhook, mail], medium: [webhook], low: [webhook]}
  give_up_after: 1m
  alertmanager: {url: "%s", authorization_file: alertmanager.secret}
  webhook: {secret_files: [webhook.secret]}
  mail: {host: 127.0.0.1, port: %d, tls: starttls, username: floor, password_file: mail.password, from: floor@kestrel-lane.example, to: [crew@kestrel-lane.example]}
`

// newHush writes the shop's configuration and secrets, and the two receivers that
// answer each page with an error that repeats all that they were sent.
func newHush(t *testing.T) *hush {
	h := &hush{T: t, dir: t.TempDir(), secrets: map[string]string{}, log: &growing{}}
	h.program = filepath.Join(h.dir, "rollwarden")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", h.program, "rollwarden/cmd/rollwarden").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	echo := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		w.WriteHeader(http.StatusBadRequest)
		fmt.Fprintln(w, r.URL, r.Header, string(body))
	}))
	t.Cleanup(echo.Close)
	mail := deafMail(t)

	proof := certificate(t, "hush", "127.0.0.1")
	h.pool = proof.pool
	key, err := os.ReadFile(proof.files.KeyFile)
	fail(t, err)
	cert, err := os.ReadFile(proof.files.CertFile)
	fail(t, err)
	h.file("cert.pem", string(cert))
	h.file("key.pem", string(key))
	h.secrets["TLS key"] = strings.Split(string(key), "\n")[1]

	pair, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, _ := pair.PublicKey()
	seed, _ := pair.Seed()
	h.secrets["nkey seed"] = string(seed)
	for _, u := range []string{"ines", "commands", "archive"} {
		password := h.secret("password of " + u)[:60]
		h.secrets["password of "+u] = password
		hash, err := gate.HashPassword(password)
		if u != "ines" {
			hash, err = bus.HashPassword(password)
		}
		if err != nil {
			t.Fatal(err)
		}
		h.secrets["hash of "+u] = hash
		h.file(u+".hash", hash+"\n")
	}
	h.file("commands.password", h.secrets["password of commands"]+"\n")
	h.file("token", h.secret("token of feed")+"\n")
	h.file("webhook.secret", h.secret("webhook secret")+"\n")
	h.file("alertmanager.secret", "Bearer "+h.secret("alertmanager token")+"\n")
	h.file("mail.password", h.secret("mail password")+"\n")
	h.environ = append(os.Environ(), "SHOP_TOKEN="+h.secret("token of shop"), "ARCHIVE_HASH="+h.secrets["hash of archive"],
		"ROLLWARDEN_PAGER_WEBHOOK_URL="+echo.URL+"/in/"+h.secret("webhook address")+"?key="+h.secret("webhook query"), "ROLLWARDEN_PAGER_WEBHOOK_SECRET="+h.secret("other webhook secret"))
	h.file("rollwarden.yaml", fmt.Sprintf(hushConfig, freeAddress(t), public, echo.URL, mail))
	return h
}

// freeAddress is an address that is free now; the commands have to know it.
func freeAddress(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// deafMail is a mail server that knows no STARTTLS, and returns its port.
func deafMail(t *testing.T) int {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				c.SetDeadline(time.Now().Add(10 * time.Second))
				fmt.Fprint(c, "220 mail.kestrel-lane.example ESMTP\r\n")
				buf := make([]byte, 4096)
				for {
					n, err := c.Read(buf)
					if err != nil {
						return
					}
					fmt.Fprintf(c, "502 5.5.1 What is %q?\r\n", buf[:n])
				}
			}()
		}
	}()
	return l.Addr().(*net.TCPAddr).Port
}

// command runs the program with arguments and returns all that it prints.
func (h *hush) command(more []string, args ...string) string {
	h.Helper()
	ctx, cancel := context.WithTimeout(h.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, h.program, args...)
	cmd.Dir, cmd.Env = h.dir, append(h.environ, more...)
	out, err := cmd.CombinedOutput()
	if _, exited := errors.AsType[*exec.ExitError](err); err != nil && !exited {
		h.Fatal(err)
	}
	return string(out)
}

// quiet wants no secret to stand in a text, in none of the forms that a program
// writes one.
func (h *hush) quiet(where, text string) {
	h.Helper()
	for what, secret := range h.secrets {
		for _, form := range []string{
			secret, url.QueryEscape(secret), url.PathEscape(secret), hex.EncodeToString([]byte(secret)), fmt.Sprint([]byte(secret)),
			base64.StdEncoding.EncodeToString([]byte(secret)), base64.RawURLEncoding.EncodeToString([]byte(secret)),
			base64.StdEncoding.EncodeToString([]byte("\x00floor\x00" + secret)), base64.StdEncoding.EncodeToString([]byte("commands:" + secret)),
		} {
			if at := strings.Index(text, form); at >= 0 {
				h.Errorf("%s shows the %s: …%s…", where, what, text[max(0, at-200):min(len(text), at+len(form)+50)])
				break
			}
		}
	}
}

// TestSecretsShowNowhere runs the program with every secret that it can have, at
// the most talkative level, makes each channel and each login fail, and looks for
// the secrets in all that comes out and in all that is kept.
func TestSecretsShowNowhere(t *testing.T) {
	h := newHush(t)
	h.quiet("check", h.command(nil, "check"))
	for name, broken := range map[string][]string{
		"an address that is none": {"ROLLWARDEN_PAGER_WEBHOOK_URL=ftp://" + h.secrets["webhook address"]},
		"a NATS address":          {"ROLLWARDEN_NATS_URL=nats://floor:" + h.secrets["password of commands"] + "@127.0.0.1:port"},
		"a hash that is none":     {"ARCHIVE_HASH=" + h.secrets["password of archive"]},
		"a level that is none":    {"ROLLWARDEN_LOG_LEVEL=loud"},
	} {
		out := h.command(broken, "check")
		if h.quiet("check of "+name, out); !strings.Contains(out, "want") {
			t.Errorf("%s: want it refused, got %s", name, out)
		}
	}

	cmd := exec.CommandContext(t.Context(), h.program, "run")
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = h.dir, h.environ, h.log, h.log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	defer cmd.Process.Kill()
	board := h.waitFor(`"board":"(https://[^"]*)"`)
	natsURL := h.waitFor(`"nats":"(tls://[^"]*)"`)

	// Each command logs in over TLS, and each page goes wrong on every channel.
	for _, args := range [][]string{
		{"send", "roll.loaded", "heron", "stock=MONO-GLOSS-137", "film_class=monomeric", "length_m=50"},
		{"send", "edge.moved", "heron", "position_mm=0", "cause=rewind"}, {"send", "run.queued", "heron", "job=KL-1"},
		{"send", "run.started", "heron", "job=KL-1"}, {"advise"}, {"replay"}, {"queue"}, {"report", "--month", time.Now().Format("2006-01")},
	} {
		out := h.command(nil, args...)
		if h.quiet(strings.Join(args, " "), out); args[0] == "send" && !strings.Contains(out, "stored") {
			t.Errorf("%v: %s", args, out)
		}
	}
	h.command([]string{"ROLLWARDEN_NATS_PASSWORD=" + h.secret("a wrong NATS password")}, "send", "climate.read", "heron", "rh_pct=40") // both set: refused
	h.quiet("a wrong login of a command", h.command([]string{"ROLLWARDEN_NATS_PASSWORD_FILE=token"}, "send", "climate.read", "heron", "rh_pct=40"))
	for _, channel := range []string{"alertmanager", "webhook", "mail"} {
		h.waitFor(`"channel":"(` + channel + `)".*not delivered`)
	}

	v := visitor{TB: t, url: board, client: &http.Client{
		Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{RootCAs: h.pool}}, Timeout: 30 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	for _, got := range []reply{
		v.login("ines", h.secret("a wrong password"), "/"), v.login(h.secret("a password typed as a name"), "x", "/"),
		v.get("/?token="+h.secrets["token of feed"], "Accept: text/html"), v.holding(h.secret("a wrong token")).get("/metrics"),
		v.get("/", "Cookie: __Host-rollwarden="+h.secret("a session that is none")), v.ask("POST", "/login", "%zz"+h.secrets["password of ines"], asForm),
	} {
		if got.StatusCode < 400 && got.StatusCode != 303 {
			t.Errorf("%s: want it refused, got %d", got.Request.URL.Path, got.StatusCode)
		}
	}
	in := v.holding(h.secrets["token of shop"])
	if got := v.login("ines", h.secrets["password of ines"], "/").wants(t, 303); len(got.Cookies()) != 1 {
		t.Error("ines cannot log in")
	} else {
		h.secrets["session"] = got.Cookies()[0].Value
		v.get("/", "Cookie: "+got.Cookies()[0].Name+"="+got.Cookies()[0].Value).wants(t, 200)
	}
	read := 0
	for at, page := range in.crawl(60, "/", "/tickets", "/floor/heron", "/history/north/heron", "/advice/north/heron", "/upkeep", "/report/"+time.Now().Format("2006-01")) {
		h.quiet(at, page)
		read++
	}
	for _, at := range []string{"/metrics", "/api/v1/floor", "/api/v1/alarms", "/api/v1/tickets", "/api/v1/anomalies", "/api/v1/machines/north/heron/events", "/api/v1/openapi.json", "/healthz", "/readyz"} {
		h.quiet(at, in.get(at).wants(t, 200).body)
	}
	if read < 15 {
		t.Errorf("only %d pages were read", read)
	}
	h.readJournal(natsURL)

	// What a crash prints: every goroutine with its arguments.
	if err := cmd.Process.Signal(syscall.SIGQUIT); err != nil {
		t.Fatal(err)
	}
	select {
	case <-ended:
	case <-time.After(30 * time.Second):
		t.Fatal("the watch does not end")
	}
	if log := h.log.String(); !strings.Contains(log, "goroutine ") {
		t.Error("the watch printed no goroutines")
	} else {
		h.quiet("the log", log)
	}
	h.readFolder()
}

// waitFor waits until the log has a line, and returns the part in brackets.
func (h *hush) waitFor(pattern string) string {
	h.Helper()
	line := regexp.MustCompile(pattern)
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if m := line.FindStringSubmatch(h.log.String()); m != nil {
			return m[1]
		}
	}
	h.Fatalf("the log has no %s:\n%s", pattern, h.log)
	return ""
}

// readJournal reads every entry as whoever may.
func (h *hush) readJournal(at string) {
	h.Helper()
	conn, err := nats.Connect(at, nats.UserInfo("commands", h.secrets["password of commands"]), nats.Secure(&tls.Config{RootCAs: h.pool}), nats.Timeout(20*time.Second))
	if err != nil {
		h.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		h.Fatal(err)
	}
	stream, err := js.Stream(h.Context(), "FLOOR")
	if err != nil {
		h.Fatal(err)
	}
	last, failed := stream.CachedInfo().State.LastSeq, false
	for seq := uint64(1); seq <= last; seq++ {
		m, err := stream.GetMsg(h.Context(), seq)
		if err != nil {
			h.Fatal(err)
		}
		h.quiet(m.Subject, fmt.Sprint(m.Header, string(m.Data)))
		failed = failed || strings.HasSuffix(m.Subject, "page.failed")
	}
	if !failed {
		h.Error("no page failed: the test tests little")
	}
}

// readFolder reads what the watch keeps on disk.
func (h *hush) readFolder() {
	h.Helper()
	err := filepath.WalkDir(filepath.Join(h.dir, "data"), func(name string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		data, err := os.ReadFile(name)
		h.quiet(name, string(data))
		return err
	})
	if err != nil {
		h.Error(err)
	}
}
