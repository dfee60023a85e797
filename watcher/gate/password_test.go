package gate

import (
	"context"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
)

// TestReferenceHash checks against the reference implementation of argon2,
// https://github.com/P-H-C/phc-winner-argon2, src/test.c, "Test Argon2id" of
// version 0x13: password "password", salt "somesalt", t=2, m=2^16 KiB, p=1, with
// the sum and the encoded form that are given there. The vector of RFC 9106
// section 5.3 needs a key and associated data, which a password hash has not;
// golang.org/x/crypto tests its inner function against it.
func TestReferenceHash(t *testing.T) {
	const encoded = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	h, err := parseHash(encoded)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := hex.EncodeToString(h.sum), "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"; got != want {
		t.Errorf("want the sum %s, got %s", want, got)
	}
	if !h.fits("password") || h.fits("Password") || h.fits("") {
		t.Error("want it to fit its password alone")
	}
	if h.String() != encoded {
		t.Errorf("want %s, got %s", encoded, h)
	}
}

func TestHashPassword(t *testing.T) {
	text, err := HashPassword("Straße 12 am Kai")
	if err != nil {
		t.Fatal(err)
	}
	// RFC 9106 section 4, second recommended option: t=3, p=4, m=2^16 KiB,
	// 128 bits of salt and 256 bits of tag, which are 22 and 43 characters of
	// base64 without padding.
	if parts := strings.Split(text, "$"); len(parts) != 6 || parts[3] != "m=65536,t=3,p=4" || len(parts[4]) != 22 || len(parts[5]) != 43 {
		t.Errorf("got %s", text)
	}
	h, err := parseHash(text)
	if err != nil {
		t.Fatal(err)
	}
	if !h.fits("Straße 12 am Kai") {
		t.Error("want it to fit its password")
	}
	if again, err := HashPassword("Straße 12 am Kai"); err != nil || again == text {
		t.Errorf("want another salt each time, got %s twice, %v", text, err)
	}
}

// TestEveryKeyboard types one password in two ways. Unicode Standard Annex 15,
// figure 3: U+00F6 is the same as U+006F U+0308; figure 6: U+FB01 is
// compatible with "fi".
func TestEveryKeyboard(t *testing.T) {
	h, err := parseHash(cheap("gro\u0308\u00dfer \ufb01lm"))
	if err != nil {
		t.Fatal(err)
	}
	if !h.fits("gr\u00f6\u00dfer film") {
		t.Error("want both forms of a letter to be one")
	}
}

func TestPasswordLengths(t *testing.T) {
	for _, test := range []struct{ password, want string }{
		{"", "want at least 8 characters"},
		{"1234567", "want at least 8 characters"},
		{"öäüöäüö", "want at least 8 characters"}, // 14 bytes, 7 characters
		{"ö\u0308ö\u0308ö\u0308", "want at least 8 characters"},
		{"bad \xff bytes", "want UTF-8"},
		{strings.Repeat("x", maxPassword+1), "want at most 1024 bytes"},
		{strings.Repeat("\ufdfa", maxPassword/3), "want at most 1024 bytes"}, // each becomes 18 characters
	} {
		_, err := HashPassword(test.password)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%.20q: want %q, got %v", test.password, test.want, err)
		} else if test.password != "" && strings.Contains(err.Error(), test.password) {
			t.Errorf("the error shows the password: %v", err)
		}
	}
	// NIST SP 800-63B section 5.1.1.2: at least 64 characters are permitted,
	// of any kind, spaces too.
	for _, good := range []string{"öäüöäüöä", strings.Repeat("a b ", 16), strings.Repeat("鷺", 64)} {
		if _, err := HashPassword(good); err != nil {
			t.Errorf("%.20q: %v", good, err)
		}
	}
}

// withParameters is a well-formed hash with other parameters.
func withParameters(m, t, p string) string {
	return fmt.Sprintf("$argon2id$v=19$m=%s,t=%s,p=%s$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", m, t, p)
}

func TestHashBounds(t *testing.T) {
	// OWASP Password Storage Cheat Sheet, "Argon2id": equivalent settings.
	for _, o := range [][2]string{{"47104", "1"}, {"19456", "2"}, {"12288", "3"}, {"9216", "4"}, {"7168", "5"}} {
		if _, err := parseHash(withParameters(o[0], o[1], "1")); err != nil {
			t.Errorf("m=%s, t=%s: %v", o[0], o[1], err)
		}
	}
	const salt, sum = "c29tZXNhbHQ", "CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	for text, want := range map[string]string{
		withParameters("104857600", "1", "1"):                        "memory: want m from 7168 to 262144 KiB, got 104857600", // 100 GB
		withParameters("9999999999", "9999999999", "1"):              "memory: want m",
		withParameters("7167", "6", "1"):                             "memory: want m",
		withParameters("7168", "4", "1"):                             "work: want m times t from 35840 to 1048576, got m=7168, t=4",
		withParameters("65536", "4294967295", "1"):                   "work: want m times t",
		withParameters("65536", "3", "17"):                           "threads: want p from 1 to 16, got 17",
		withParameters("65536", "0", "1"):                            "not shown",
		withParameters("065536", "3", "1"):                           "not shown",
		withParameters("65536", "3", "-1"):                           "not shown",
		withParameters("65536", "3", "1") + "=":                      "not shown",
		withParameters("65536", "3", "1") + "\n":                     "not shown",
		" " + withParameters("65536", "3", "1"):                      "not shown",
		"$argon2i$v=19$m=65536,t=3,p=1$" + salt + "$" + sum:          "not shown",
		"$argon2id$v=16$m=65536,t=3,p=1$" + salt + "$" + sum:         "not shown",
		"$argon2id$v=19$t=3,m=65536,p=1$" + salt + "$" + sum:         "not shown",
		"$argon2id$v=19$m=65536,t=3,p=1$c29tZXM$" + sum:              "salt: want 8 to 64 bytes",
		"$argon2id$v=19$m=65536,t=3,p=1$" + salt + "$CTFhFdXPJO1a":   "hash: want 16 to 64 bytes",
		"$argon2id$v=19$m=65536,t=3,p=1$c29tZXNhbHR$" + sum:          "salt: want", // bits left over
		"$argon2id$v=19$m=65536,t=3,p=1$" + strings.Repeat("A", 200): "not shown",
		"correct horse battery":                                      "not shown",
		"":                                                           "not shown",
	} {
		_, err := parseHash(text)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: want %q, got %v", text, want, err)
		} else if strings.Contains(err.Error(), "horse") {
			t.Errorf("the error shows the text: %v", err)
		}
	}
}

// FuzzParseHash wants what is read to be within the bounds and to be written
// as it was.
func FuzzParseHash(f *testing.F) {
	f.Add(withParameters("65536", "2", "1"))
	f.Add(withParameters("104857600", "1", "255"))
	f.Add("$argon2id$v=19$m=7168,t=5,p=16$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAA")
	f.Add("$argon2id$v=19$$$")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := parseHash(text)
		if err != nil {
			if len(text) > 40 && strings.Contains(err.Error(), text) {
				t.Errorf("the error shows the text: %v", err)
			}
			return
		}
		work := uint64(h.memory) * uint64(h.passes)
		if h.memory < minMemory || h.memory > maxMemory || work < minWork || work > maxWork || h.threads < 1 || h.threads > maxThreads || len(h.salt) < minSalt || len(h.sum) < minSum {
			t.Errorf("%s is out of bounds: %+v", text, h)
		}
		if h.String() != text {
			t.Errorf("%s is written as %s", text, h)
		}
	})
}

// TestUnknownNamesTakeAsLong counts the work of a login instead of timing it:
// each asks for one verification, of a hash that a user has, and a name always
// for the same one.
func TestUnknownNamesTakeAsLong(t *testing.T) {
	a := newAccounts(shopOptions(t).Users)
	var done []*hash
	a.fits = func(h *hash, _ string) bool { done = append(done, h); return true } // even if the decoy's password fits
	for _, name := range []string{"mira", "nobody", "nobody", "", "Mira"} {
		_, ok, err := a.verify(context.Background(), name, "x")
		if err != nil || ok != (name == "mira") {
			t.Errorf("%q: got %t, %v", name, ok, err)
		}
	}
	if len(done) != 5 || done[1] != done[2] {
		t.Errorf("want one verification for each, always the same for one name; got %v", done)
	}
	real := map[*hash]bool{}
	for _, one := range a.byName {
		real[one.hash] = true
	}
	for _, h := range done {
		if !real[h] {
			t.Error("want the hash of a user")
		}
	}
}

func BenchmarkVerify(b *testing.B) {
	text, err := HashPassword("a password of some length")
	if err != nil {
		b.Fatal(err)
	}
	h, err := parseHash(text)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		h.fits("another password")
	}
}
