package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/rs/zerolog"
)

const hush = "correct-horse-battery-staple"

// TestSecretNeverShows prints a secret, and a configuration that is full of
// them, in every way that a program prints.
func TestSecretNeverShows(t *testing.T) {
	c := load(t, webhookAndMail, "ROLLWARDEN_PAGER_WEBHOOK_SECRET="+hush, "ROLLWARDEN_PAGER_MAIL_PASSWORD="+hush,
		"ROLLWARDEN_PAGER_WEBHOOK_URL=http://127.0.0.1:9100/"+hush)
	secret := c.Pager.Mail.Password
	if secret.Reveal() != hush || c.Pager.Webhook.Secrets()[0].Reveal() != hush || !strings.HasSuffix(c.Pager.Webhook.URL.Reveal(), hush) {
		t.Fatal("the secrets did not arrive")
	}
	c.HTTP.Users = []User{{Name: "mira", PasswordHash: secret}}
	c.HTTP.Tokens = []Token{{Name: "feed", Secret: secret}}
	for _, v := range []any{secret, &secret, []Secret{secret}, map[string]Secret{"s": secret}, struct{ s Secret }{secret}, c, *c, c.Pager} {
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%d"} {
			quiet(t, verb, fmt.Appendf(nil, verb, v))
		}
		for name, encode := range map[string]func(any) ([]byte, error){"JSON": json.Marshal, "YAML": yaml.Marshal} {
			if out, err := encode(v); err == nil {
				quiet(t, name, out)
			}
		}
		var out bytes.Buffer
		log := zerolog.New(&out)
		log.Info().Interface("s", v).Any("any", v).Fields(map[string]any{"f": v}).Msg("")
		log.Info().Object("o", secret).Stringer("t", secret).Msg("")
		console := zerolog.New(zerolog.ConsoleWriter{Out: &out})
		console.Info().Interface("s", v).Msg("")
		slog.New(slog.NewTextHandler(&out, nil)).Info("", "s", v)
		slog.New(slog.NewJSONHandler(&out, nil)).Info("", "s", v)
		quiet(t, "log", out.Bytes())
	}
}

func quiet(t *testing.T, how string, out []byte) {
	t.Helper()
	for _, shown := range []string{hush, fmt.Sprintf("%x", hush), fmt.Sprintf("%d", []byte(hush))} {
		if strings.Contains(string(out), shown) {
			t.Errorf("%s shows the secret: %s", how, out)
		}
	}
}

func TestSecretShowsWhetherItIsSet(t *testing.T) {
	var none Secret
	for want, got := range map[string]string{
		"": none.String(), hiddenText: NewSecret("x").String(),
		`config.NewSecret("[secret]")`: fmt.Sprintf("%#v", NewSecret("x")), `config.NewSecret("")`: fmt.Sprintf("%#v", none),
	} {
		if got != want {
			t.Errorf("want %q, got %q", want, got)
		}
	}
	out, err := json.Marshal(struct{ A, B Secret }{NewSecret("x"), none})
	if err != nil || string(out) != `{"A":"[secret]","B":""}` {
		t.Errorf("got %s, %v", out, err)
	}
	out, err = yaml.Marshal(struct{ A Secret }{NewSecret("x")})
	if err != nil || !strings.Contains(string(out), hiddenText) {
		t.Errorf("got %s, %v", out, err)
	}
}

// TestBadSecretsStayQuiet gives secrets that are refused.
func TestBadSecretsStayQuiet(t *testing.T) {
	for _, test := range []struct {
		file     string
		variable string
		want     string
	}{
		{"nats: {url: 'nats://crew:" + hush + "@[::1'}", "", "not shown because it may hold a password"},
		{"nats: {url: 'nats://" + hush + "@127.0.0.1'}", "", "want an address without user and password"},
		{"pager: {webhook: {url: 'ftp://127.0.0.1/" + hush + "'}}", "", "the address is not shown"},
		{"pager: {mail: {password: " + hush + "}}", "", "does not belong in this file"},
		{"pager: {webhook: {secret: [" + hush + "]}}", "", "does not belong in this file"},
		{"", "ROLLWARDEN_NATS_PASSWORD=" + hush, "want a user with a password"},
		{"", "ROLLWARDEN_PAGER_MAIL_PASWORD=" + hush, "no such variable"},
	} {
		_, err := tryLoad(t, test.file, test.variable)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s %s: want %q, got %v", test.file, test.variable, test.want, err)
			continue
		}
		quiet(t, test.file, []byte(err.Error()))
	}
}

const webhookAndMail = `
pager:
  routes: {high: [webhook, mail, log]}
  mail: {host: smtp.kestrel-lane.example, username: floor, from: floor@kestrel-lane.example, to: [crew@kestrel-lane.example]}
`

func TestSecretFiles(t *testing.T) {
	t.Chdir(t.TempDir())
	write(t, FileName, webhookAndMail+"  webhook: {url: 'http://127.0.0.1:9100/', secret_files: [old, new]}\n")
	write(t, "mail", hush+"\r\n")
	write(t, "old", strings.Repeat("o", minWebhookSecret)+"\n")
	write(t, "new", strings.Repeat("n", minWebhookSecret))
	if err := os.Chmod("new", 0o640); err != nil {
		t.Fatal(err)
	}
	environ := []string{"ROLLWARDEN_PAGER_MAIL_PASSWORD_FILE=mail"}
	c, err := Load("", environ)
	if err != nil {
		t.Fatal(err)
	}
	if c.Pager.Mail.Password.Reveal() != hush {
		t.Errorf("want the line without its end, got %q", c.Pager.Mail.Password.Reveal())
	}
	if s := c.Pager.Webhook.Secrets(); len(s) != 2 || s[0].Reveal()[0] != 'o' || s[1].Reveal()[0] != 'n' {
		t.Errorf("want two secrets in order, got %d", len(s))
	}
	open := "pager.webhook.secret_files[1]: other people on this computer can read new (mode 0640): chmod 600 new"
	if got := strings.Join(c.Warnings, "\n"); runtime.GOOS != "windows" && strings.Count(got, "chmod") != 1 || !strings.Contains(got, open) {
		t.Errorf("want only the warning %q, got\n%s", open, got)
	}

	for _, bad := range []struct{ file, text, variable, want string }{
		{"mail", "", "", "want a file with the secret on one line"},
		{"mail", "one\ntwo\n", "", "want a file with the secret on one line"},
		{"mail", strings.Repeat("x", maxSecret+1), "", "want at most 65536 bytes"},
		{"mail", hush, "ROLLWARDEN_PAGER_MAIL_PASSWORD=x", "got both: take one away"},
		{"new", "short", "", "want at least 16 bytes in every secret"},
	} {
		old, _ := os.ReadFile(bad.file)
		write(t, bad.file, bad.text)
		_, err := Load("", append([]string{bad.variable}, environ...))
		if err == nil || !strings.Contains(err.Error(), bad.want) || strings.Count(err.Error(), "\n") != 0 {
			t.Errorf("want only %q, got %v", bad.want, err)
		}
		write(t, bad.file, string(old))
	}
}
