package bus

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"maps"
	"math/big"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
	"golang.org/x/crypto/bcrypt"
)

// dial connects. A computer that is so busy that it takes seconds to look at a
// password asks meanwhile whether the client lives, which the client takes for
// no answer: then it tries again, as every client does.
func dial(t *testing.T, url string, options ...nats.Option) (*nats.Conn, error) {
	t.Helper()
	options = append(options, nats.Timeout(20*time.Second), nats.NoReconnect())
	for ctx := soon(t); ; {
		conn, err := nats.Connect(url, options...)
		if err == nil || ctx.Err() != nil || !strings.Contains(err.Error(), "expected 'PONG'") {
			return conn, err
		}
	}
}

const wrenPassword = "d0c3e7a1b5f94826d0c3e7a1b5f94826"

// logins are two machines that publish below a subject of their own, heron with
// a key and wren with a password.
func logins(t *testing.T) (heron nkeys.KeyPair, users []User) {
	t.Helper()
	heron, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := heron.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	// As cheap as is allowed: the tests log in often.
	hash, err := bcrypt.GenerateFromPassword([]byte(wrenPassword), minCost)
	if err != nil {
		t.Fatal(err)
	}
	may := func(name string) User {
		return User{Name: name, Publish: []string{"test." + name + ".>"}, Never: []string{"test.*.alarm.>"}, Subscribe: []string{"_INBOX_" + name + ".>"}}
	}
	h, w := may("heron"), may("wren")
	h.Key, w.PasswordHash = public, string(hash)
	return heron, []User{h, w}
}

// pair is a certificate for 127.0.0.1 with a serial number, signed by itself.
func pair(t *testing.T, serial int64) *tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}
}

// trust is a client that believes a certificate, and notes the serial number
// that it was shown.
func trust(c *tls.Certificate, shown *atomic.Int64) *tls.Config {
	pool := x509.NewCertPool()
	pool.AddCert(c.Leaf)
	return &tls.Config{RootCAs: pool, VerifyConnection: func(s tls.ConnectionState) error {
		shown.Store(s.PeerCertificates[0].SerialNumber.Int64())
		return nil
	}}
}

func TestUsers(t *testing.T) {
	heron, users := logins(t)
	o := options(t.TempDir())
	o.Listen, o.Users = "127.0.0.1:0", users
	b := open(t, o)
	kept := stream(t, b) // the watch itself may do everything

	refused := make(chan error, 1)
	noted := nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { refused <- err })
	for name, login := range map[string]nats.Option{"heron": nats.Nkey(users[0].Key, heron.Sign), "wren": nats.UserInfo("wren", wrenPassword)} {
		conn, err := dial(t, b.URL(), login, noted, nats.CustomInboxPrefix("_INBOX_"+name))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Request("test."+name+".edge", nil, 5*time.Second); err != nil {
			t.Errorf("%s cannot publish: %v", name, err)
		}
		neighbour := map[string]string{"heron": "wren", "wren": "heron"}[name]
		for _, subject := range []string{"test." + neighbour + ".edge", "test." + name + ".alarm.changed", "$JS.API.INFO"} {
			if err := conn.Publish(subject, nil); err != nil {
				t.Fatal(err)
			}
			wantError(t, soonest(t, refused), "Permissions Violation", subject)
		}
		if _, err := conn.SubscribeSync("_INBOX_" + neighbour + ".>"); err != nil {
			t.Fatal(err)
		}
		wantError(t, soonest(t, refused), "Permissions Violation", neighbour)
		conn.Close()
	}
	if info, err := kept.Info(soon(t)); err != nil || info.State.Msgs != 2 {
		t.Errorf("want the two allowed messages, got %+v, %v", info, err)
	}

	stranger, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	for name, login := range map[string][]nats.Option{
		"nobody": nil, "a wrong password": {nats.UserInfo("wren", wrenPassword+"0")}, "an empty one": {nats.UserInfo("wren", "")},
		"a key that is not heron's": {nats.Nkey(users[0].Key, stranger.Sign)}, "heron by name": {nats.UserInfo("heron", wrenPassword)},
	} {
		if conn, err := dial(t, b.URL(), login...); !errors.Is(err, nats.ErrAuthorization) {
			t.Errorf("%s: want no login, got %v, %v", name, conn, err)
		}
	}
}

func soonest(t *testing.T, errs <-chan error) error {
	t.Helper()
	select {
	case err := <-errs:
		return err
	case <-time.After(10 * time.Second):
		t.Fatal("nothing was refused")
		return nil
	}
}

// TestAUserWithoutSubjects may do nothing, where the server itself takes an empty
// list for everything.
func TestAUserWithoutSubjects(t *testing.T) {
	_, users := logins(t)
	users[1].Publish, users[1].Subscribe = nil, nil
	o := options(t.TempDir())
	o.Listen, o.Users = "127.0.0.1:0", users
	refused := make(chan error, 1)
	conn, err := dial(t, open(t, o).URL(), nats.UserInfo("wren", wrenPassword),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { refused <- err }))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.Publish("test.wren.edge", nil); err != nil {
		t.Fatal(err)
	}
	wantError(t, soonest(t, refused), "Permissions Violation for Publish")
	if _, err := conn.SubscribeSync("test.wren.edge"); err != nil {
		t.Fatal(err)
	}
	wantError(t, soonest(t, refused), "Permissions Violation for Subscription")
}

func TestBadUsers(t *testing.T) {
	for name, tt := range map[string]struct {
		user User
		want string
	}{
		"nobody":            {User{}, "want a name or a key"},
		"no password":       {User{Name: "wren"}, "user wren: want a bcrypt hash"},
		"a password":        {User{Name: "wren", PasswordHash: wrenPassword}, "user wren: want a bcrypt hash"},
		"a cheap hash":      {User{Name: "wren", PasswordHash: "$2a$05$CCCCCCCCCCCCCCCCCCCCC.E5YPO9kmyuRGyh0XouQYb4YMJKvyOeW"}, "cost 10 to 13, got 5"},
		"an endless hash":   {User{Name: "wren", PasswordHash: "$2a$31$CCCCCCCCCCCCCCCCCCCCC.E5YPO9kmyuRGyh0XouQYb4YMJKvyOeW"}, "cost 10 to 13, got 31"},
		"half a hash":       {User{Name: "wren", PasswordHash: "$2a$10$"}, "want a bcrypt hash"},
		"a seed for a key":  {User{Name: "heron", Key: "SUAGMJH5XLGZKQQWAWKRZJIGMOU4HPFUYLXJMXOO5NLFEO2OOQJ5LPRDPM"}, "want the public nkey"},
		"an account's key":  {User{Name: "heron", Key: "A" + strings.Repeat("A", 55)}, "want the public nkey"},
		"a key with a typo": {User{Name: "heron", Key: "UDITFFNANVC6Y3WRAVYRVI6ROVJZNXOZUNEYMF3MUCDTOLQ5TYWO55FE"}, "want the public nkey"},
	} {
		t.Run(name, func(t *testing.T) {
			o := options(t.TempDir())
			o.Users = []User{tt.user}
			b, err := Open(soon(t), o)
			if b != nil {
				shut(t, b)
			}
			wantError(t, err, tt.want)
			if strings.Contains(err.Error(), wrenPassword) || strings.Contains(err.Error(), "SUAGMJ") {
				t.Errorf("a secret is shown: %v", err)
			}
		})
	}
}

// TestHashPassword makes hashes that the server takes for such. The vector is of
// jBCrypt (TestBCrypt.java), and its hash is one that the server may be given.
func TestHashPassword(t *testing.T) {
	const vector = "$2a$10$fVH8e28OQRj9tqiDXs1e1uxpsjN0c7II7YPKXua2NAKYvM6iQk7dq"
	if err := CheckPasswordHash(vector); err != nil || bcrypt.CompareHashAndPassword([]byte(vector), []byte("abcdefghijklmnopqrstuvwxyz")) != nil {
		t.Errorf("the vector does not fit: %v", err)
	}
	for password, fits := range map[string]bool{
		"": false, strings.Repeat("a", MinPassword-1): false, strings.Repeat("a", MinPassword): true,
		strings.Repeat("a", maxPassword): true, strings.Repeat("a", maxPassword+1): false,
	} {
		hash, err := HashPassword(password)
		if (err == nil) != fits || fits && CheckPasswordHash(hash) != nil {
			t.Errorf("%d bytes: got %q, %v", len(password), hash, err)
		}
	}
}

// TestTLS refuses a plain connection, and shows the next client a certificate
// that was renewed meanwhile.
func TestTLS(t *testing.T) {
	var current atomic.Pointer[tls.Certificate]
	current.Store(pair(t, 1))
	o := options(t.TempDir())
	o.Listen, o.MQTT = "127.0.0.1:0", "127.0.0.1:0"
	o.TLS = func() (*tls.Config, error) {
		return &tls.Config{GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return current.Load(), nil }}, nil
	}
	b := open(t, o) // which itself needs no TLS
	stream(t, b)
	for _, serial := range []int64{1, 2} {
		if serial == 2 {
			current.Store(pair(t, 2))
		}
		var shown atomic.Int64
		conn, err := dial(t, b.URL(), nats.Secure(trust(current.Load(), &shown)))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Request("test.edge", nil, 5*time.Second); err != nil || shown.Load() != serial {
			t.Errorf("want certificate %d, got %d, %v", serial, shown.Load(), err)
		}
		conn.Close()
		if !strings.HasPrefix(b.MQTT(), "mqtts://") {
			t.Errorf("MQTT is at %s, want mqtts", b.MQTT())
		}
		client, err := dialMQTT(t, strings.Replace(b.MQTT(), "mqtts", "tls", 1), "wren", "", trust(current.Load(), &shown))
		if err != nil || shown.Load() != serial {
			t.Fatalf("MQTT: want certificate %d, got %d, %v", serial, shown.Load(), err)
		}
		client.Disconnect(250)
	}
	if conn, err := dial(t, b.URL()); err == nil {
		conn.Close()
		t.Error("want a client refused that does not know the certificate")
	}
	// A client that never begins a handshake is told nothing and gets nowhere.
	for _, at := range []string{strings.TrimPrefix(b.URL(), "tls://"), strings.TrimPrefix(b.MQTT(), "mqtts://")} {
		if answer := plainly(t, at, "CONNECT {\"verbose\":true}\r\nPUB test.edge 0\r\n\r\nPING\r\n"); strings.Contains(answer, "PONG") || strings.Contains(answer, "+OK") {
			t.Errorf("%s answers a plain connection: %q", at, answer)
		}
	}
	if _, err := dialMQTT(t, strings.Replace(b.MQTT(), "mqtts", "tcp", 1), "wren", "", nil); err == nil {
		t.Error("want plain MQTT refused")
	}
	if info, err := b.JetStream().Stream(soon(t), "TEST"); err != nil || info.CachedInfo().State.Msgs != 2 {
		t.Errorf("want the two messages that came over TLS, got %v, %v", info, err)
	}
}

// plainly sends text without TLS and returns all that comes back.
func plainly(t *testing.T, address, text string) string {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(10 * time.Second))
	conn.Write([]byte(text)) // an answer that is an error is what is wanted
	var all strings.Builder
	buf := make([]byte, 4096)
	for {
		n, err := conn.Read(buf)
		all.Write(buf[:n])
		if err != nil {
			return all.String()
		}
	}
}

func TestTLSThatCannotBeRead(t *testing.T) {
	o := options(t.TempDir())
	o.TLS = func() (*tls.Config, error) { return nil, errors.New("certificate nats.pem: no such file") }
	_, err := Open(soon(t), o)
	wantError(t, err, "certificate nats.pem")
}

// dialMQTT connects with the Eclipse Paho client, which others wrote by the
// standard (MQTT 3.1.1, OASIS).
func dialMQTT(t *testing.T, url, user, password string, c *tls.Config) (mqtt.Client, error) {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(user + t.Name()).SetProtocolVersion(4).
		SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(20 * time.Second)
	if password != "" {
		o.SetUsername(user).SetPassword(password)
	}
	if c != nil {
		o.SetTLSConfig(c)
	}
	client := mqtt.NewClient(o)
	token := client.Connect()
	if !token.WaitTimeout(30 * time.Second) {
		return nil, context.DeadlineExceeded
	}
	return client, token.Error()
}

// TestMQTT publishes as a machine by MQTT: what it may reaches the journal, and
// what it may not does not.
func TestMQTT(t *testing.T) {
	_, users := logins(t)
	o := options(t.TempDir())
	o.MQTT, o.Users = "127.0.0.1:0", users
	b := open(t, o)
	kept := stream(t, b)
	url := strings.Replace(b.MQTT(), "mqtt", "tcp", 1)
	for name, password := range map[string]string{"nobody": "", "wren": "wrong", "heron": wrenPassword} {
		if client, err := dialMQTT(t, url, name, password, nil); err == nil {
			client.Disconnect(0)
			t.Errorf("%s got in with password %q", name, password)
		}
	}
	client, err := dialMQTT(t, url, "wren", wrenPassword, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer client.Disconnect(250)
	for _, topic := range []string{"test/heron/edge", "test/wren/alarm/changed", "$JS/API/STREAM/DELETE/TEST", "test/wren/edge"} {
		for qos := range byte(2) {
			client.Publish(topic, qos, false, "moved").WaitTimeout(10 * time.Second)
		}
	}
	// It hears of none of that: only the watch knows what was not allowed, by either QoS.
	denied := map[string]int{}
	for _, d := range b.Denied() {
		if denied[d.Subject] = d.Times; d.By != `"wrenTestMQTT" at 127.0.0.1` || time.Since(d.At) > time.Minute {
			t.Errorf("denied to %+v", d)
		}
	}
	if want := map[string]int{"test.heron.edge": 2, "test.wren.alarm.changed": 2, "$JS.API.STREAM.DELETE.TEST": 2}; !maps.Equal(denied, want) {
		t.Errorf("denied are %v, want %v", denied, want)
	}
	if token := client.Subscribe("test/#", 1, nil); token.WaitTimeout(10*time.Second) && token.Error() == nil {
		if code := token.(*mqtt.SubscribeToken).Result()["test/#"]; code != 0x80 { // MQTT 3.1.1, section 3.9.3: failure
			t.Errorf("want the subscription refused, got code %#x", code)
		}
	}
	// What QoS 0 and the acknowledgement of QoS 1 say is that the server has it,
	// not that the stream does.
	held := uint64(0)
	for end := time.Now().Add(10 * time.Second); held < 2 && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		info, err := kept.Info(soon(t))
		if err != nil {
			t.Fatal(err)
		}
		held = info.State.Msgs
	}
	if held != 2 {
		t.Fatalf("want the two messages that wren may publish, got %d", held)
	}
	for seq := range held {
		if m, err := kept.GetMsg(soon(t), seq+1); err != nil || m.Subject != "test.wren.edge" || string(m.Data) != "moved" {
			t.Errorf("message %d: %+v, %v", seq+1, m, err)
		}
	}
}

func TestMQTTPortInUse(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	o := options(t.TempDir())
	o.MQTT = l.Addr().String()
	_, err = Open(soon(t), o)
	wantError(t, err, "nats.mqtt.listen: ", o.MQTT, "address already in use", "set another nats.mqtt.listen")
}
