package pager

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/rs/zerolog"
	"pgregory.net/rapid"

	"rollwarden/rules/event"
)

var quiet = log.New(io.Discard, "", 0)

func TestWebhookPostsTheSignedPage(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 30, 0, time.UTC)
	var header http.Header
	var body []byte
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		header = r.Header
		body, _ = io.ReadAll(r.Body)
		if r.Method != http.MethodPost {
			t.Errorf("method %s", r.Method)
		}
	}))
	defer server.Close()
	hook := webhookTo(t, server.URL, func(o *WebhookOptions) { o.Now = func() time.Time { return now } })
	page := pageOf(t, "a1", nil)
	if err := hook.Send(t.Context(), page); err != nil {
		t.Fatal(err)
	}
	if header.Get("Content-Type") != "application/json" || header.Get("Idempotency-Key") != page.Key || page.Key == "" {
		t.Errorf("header %v", header)
	}
	if err := VerifySignature(header.Get(SignatureHeader), body, []Secret{NewSecret(testSecret)}, now, time.Minute); err != nil {
		t.Error(err)
	}
	var got Page
	strict := json.NewDecoder(bytes.NewReader(body))
	strict.DisallowUnknownFields()
	if err := strict.Decode(&got); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(page, got, cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("the page changed on its way (-sent +got):\n%s", diff)
	}
	for _, field := range []string{`"key":`, `"alarm_id":"a1"`, `"hazard":"bare-edge"`, `"ready_at":"2026-03-02T08:12:00Z"`, `"settles":true`} {
		if !bytes.Contains(body, []byte(field)) {
			t.Errorf("body %s lacks %s", body, field)
		}
	}
}

// A fixed vector, worked out outside Go in two ways that agree:
//
//	printf '%s.%s' 1772438400 "$BODY" | openssl dgst -sha256 -hmac kestrel-lane-webhook-secret-2026-a
//
// and Python's hashlib with the two padded hashes of RFC 2104 section 2
// written out. 1772438400 is 2026-03-02T08:00:00Z.
const (
	vectorBody   = `{"key":"0f1e2d3c4b5a69788796a5b4c3d2e1f0","hazard":"bare-edge","machine":"heron"}`
	vectorHeader = "t=1772438400,v1=33837db3554e015e1592cf5d23e9ddc7d762fa28af233913c8a4b98ce6f36ee6"
)

func vectorTime() time.Time { return time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) }

func TestSignatureVector(t *testing.T) {
	if got := Sign([]byte(vectorBody), vectorTime(), NewSecret(testSecret)); got != vectorHeader {
		t.Errorf("Sign = %s, want %s", got, vectorHeader)
	}
	if err := VerifySignature(vectorHeader, []byte(vectorBody), []Secret{NewSecret(testSecret)}, vectorTime(), 0); err != nil {
		t.Error(err)
	}
}

// RFC 4231 sections 4.2 to 4.4, 4.7 and 4.8: test cases 1, 2, 3, 6 and 7 of
// HMAC-SHA-256. Case 7 has a full stop just where mac puts its own, so it goes
// through mac; the others have none and go through the library that mac calls.
func TestHMACVectors(t *testing.T) {
	for _, c := range []struct{ key, data, want string }{
		{strings.Repeat("\x0b", 20), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{"Jefe", "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{strings.Repeat("\xaa", 20), strings.Repeat("\xdd", 50), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		{strings.Repeat("\xaa", 131), "Test Using Larger Than Block-Size Key - Hash Key First", "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
		{strings.Repeat("\xaa", 131), "This is a test using a larger than block-size key and a larger than block-size data. The key needs to be hashed before being used by the HMAC algorithm.", "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"},
	} {
		got := ""
		if stamp, body, ok := strings.Cut(c.data, "."); ok {
			got = hex.EncodeToString(mac(c.key, stamp, []byte(body)))
		} else {
			h := hmac.New(sha256.New, []byte(c.key))
			h.Write([]byte(c.data))
			got = hex.EncodeToString(h.Sum(nil))
		}
		if got != c.want {
			t.Errorf("%.20q: %s, want %s", c.data, got, c.want)
		}
	}
}

func TestSignatureRefusals(t *testing.T) {
	old, fresh := NewSecret(testSecret), NewSecret("kestrel-lane-webhook-secret-2026-b")
	now := vectorTime()
	body := []byte(vectorBody)
	both := Sign(body, now, old, fresh)
	sum := strings.TrimPrefix(vectorHeader, "t=1772438400,")
	for _, c := range []struct {
		name    string
		header  string
		body    string
		secrets []Secret
		now     time.Time
		ok      bool
	}{
		{"as sent", vectorHeader, vectorBody, []Secret{old}, now, true},
		{"receiver has both secrets", vectorHeader, vectorBody, []Secret{fresh, old}, now, true},
		{"sender has both secrets", both, vectorBody, []Secret{fresh}, now, true},
		{"sender has both secrets, receiver the old one", both, vectorBody, []Secret{old}, now, true},
		{"a scheme of the future beside", vectorHeader + ",v2=zz", vectorBody, []Secret{old}, now, true},
		{"blanks after commas", "t=1772438400, " + sum, vectorBody, []Secret{old}, now, true},
		{"at the edge of the past", vectorHeader, vectorBody, []Secret{old}, now.Add(5 * time.Minute), true},
		{"at the edge of the future", vectorHeader, vectorBody, []Secret{old}, now.Add(-5 * time.Minute), true},

		{"stale", vectorHeader, vectorBody, []Secret{old}, now.Add(5*time.Minute + time.Second), false},
		{"from the future", vectorHeader, vectorBody, []Secret{old}, now.Add(-5*time.Minute - time.Second), false},
		{"played again with a new time", "t=1772438401," + sum, vectorBody, []Secret{old}, now, false},
		{"same time, written otherwise", "t=+1772438400," + sum, vectorBody, []Secret{old}, now, false},
		{"two times", "t=1772438400,t=1772438400," + sum, vectorBody, []Secret{old}, now, false},
		{"changed body", vectorHeader, vectorBody + " ", []Secret{old}, now, false},
		{"other secret", vectorHeader, vectorBody, []Secret{fresh}, now, false},
		{"no secret", vectorHeader, vectorBody, nil, now, false},
		{"empty secret", Sign(body, now, Secret{}), vectorBody, []Secret{{}}, now, false},
		{"no header", "", vectorBody, []Secret{old}, now, false},
		{"no time", sum, vectorBody, []Secret{old}, now, false},
		{"no signature", "t=1772438400", vectorBody, []Secret{old}, now, false},
		{"short signature", "t=1772438400,v1=3383", vectorBody, []Secret{old}, now, false},
		{"not hexadecimal", "t=1772438400,v1=" + strings.Repeat("zz", 32), vectorBody, []Secret{old}, now, false},
		{"wrong time, signed", signStamp("soon", body, old), vectorBody, []Secret{old}, now, false},
		{"huge time, signed", signStamp("9223372036854775807", body, old), vectorBody, []Secret{old}, now, false},
		{"huge header", vectorHeader + strings.Repeat(",v9=x", 2000), vectorBody, []Secret{old}, now, false},
	} {
		err := VerifySignature(c.header, []byte(c.body), c.secrets, c.now, 5*time.Minute)
		if (err == nil) != c.ok {
			t.Errorf("%s: %v, want ok %t", c.name, err, c.ok)
		}
		if err != nil && !errors.Is(err, ErrSignature) {
			t.Errorf("%s: %v does not wrap ErrSignature", c.name, err)
		}
	}
}

func signStamp(stamp string, body []byte, s Secret) string {
	return "t=" + stamp + ",v1=" + hex.EncodeToString(mac(s.text(), stamp, body))
}

func TestSignatureFitsOnlyItsOwn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.SliceOf(rapid.Byte()).Draw(t, "body")
		secret := NewSecret(rapid.StringN(1, 40, -1).Draw(t, "secret"))
		at := time.Unix(rapid.Int64Range(0, 1<<34).Draw(t, "at"), 0)
		header := Sign(body, at, secret)
		if err := VerifySignature(header, body, []Secret{secret}, at, 0); err != nil {
			t.Fatal(err)
		}
		changed := append(bytes.Clone(body), 'x')
		if VerifySignature(header, changed, []Secret{secret}, at, time.Hour) == nil {
			t.Fatal("a changed body was taken")
		}
	})
}

// Whatever a stranger writes in the header, it is not taken.
func FuzzVerifySignature(f *testing.F) {
	f.Add(vectorHeader, vectorBody)
	f.Add("t=1,v1=", "")
	f.Add("t=,t=,v1=,,", "x")
	secrets := []Secret{NewSecret("a secret that the fuzzer does not know")}
	f.Fuzz(func(t *testing.T, header, body string) {
		if err := VerifySignature(header, []byte(body), secrets, vectorTime(), 1<<62); !errors.Is(err, ErrSignature) {
			t.Errorf("got %v", err)
		}
	})
}

func TestWebhookNeedsASecret(t *testing.T) {
	for name, secrets := range map[string][]Secret{
		"none": nil, "empty": {{}}, "short": {NewSecret("0123456789abcde")}, "one short": {NewSecret(testSecret), NewSecret("short")},
	} {
		if _, err := NewWebhook(WebhookOptions{Name: "hook", URL: "http://127.0.0.1/", Secrets: secrets}); err == nil {
			t.Errorf("%s: want an error", name)
		}
	}
}

// A receiver that echoes everything it was sent, and one that is not there:
// neither the signing secret nor a token in the address may show in an error,
// in the journal or in the log.
func TestSecretsNeverShow(t *testing.T) {
	const token = "T0KEN-in-the-path"
	echo := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusBadRequest)
		fmt.Fprintf(w, "%s %v %s", r.URL, r.Header, r.URL.Query().Get("key"))
		if strings.HasPrefix(r.URL.Path, "/hooks/") {
			fmt.Fprint(w, testSecret) // which that receiver holds
		}
	}))
	dead := httptest.NewServer(http.NotFoundHandler())
	dead.Close()
	defer echo.Close()
	var out bytes.Buffer
	logger := zerolog.New(&out)
	var shown strings.Builder
	for _, base := range []string{echo.URL, dead.URL} {
		hook := webhookTo(t, base+"/hooks/"+token+"?key=quite-secret-query", nil)
		am, err := NewAlertmanager(AlertmanagerOptions{Name: "am", URL: base, Authorization: NewSecret("Bearer " + token)})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []Channel{hook, am} {
			err := c.Send(t.Context(), pageOf(t, "a1", nil))
			if err == nil {
				t.Fatal("want an error")
			}
			fmt.Fprintf(&shown, "%v\n%+v\n%+v\n", err, c, c)
			logger.Error().Err(err).Any("channel", c).Msg("")
		}
	}
	options := WebhookOptions{Name: "hook", Secrets: []Secret{NewSecret(testSecret)}}
	fmt.Fprintf(&shown, "%v %+v %#v", options, options, options)
	logger.Info().Any("options", options.Secrets).Str("s", options.Secrets[0].String()).Msg("")
	text, err := json.Marshal(options.Secrets)
	if err != nil || string(text) != `["[secret]"]` {
		t.Errorf("as JSON: %s, %v", text, err)
	}
	all := shown.String() + out.String()
	for _, secret := range []string{testSecret, "T0KEN", "quite-secret-query"} {
		for line := range strings.Lines(all) {
			if strings.Contains(line, secret) {
				t.Errorf("%q shows in %s", secret, line)
			}
		}
	}
}

func TestRedactTakesTheLongestFirst(t *testing.T) {
	if got := redactor("abcdefgh", "", "Bearer abcdefgh")("Bearer abcdefgh and abcdefgh"); got != "[secret] and [secret]" {
		t.Errorf("got %q", got)
	}
}

func TestNewPageNeedsAnAlarm(t *testing.T) {
	for _, e := range []event.Event{{}, {Type: "edge.moved", Data: &event.EdgeMoved{}}, {Data: (*event.AlarmChanged)(nil)}} {
		if _, err := NewPage(Due{AlarmID: "a1", Event: e}); err == nil {
			t.Errorf("%+v: want an error", e)
		}
	}
}
