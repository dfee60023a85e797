package pager

import (
	"bytes"
	"encoding/base64"
	"io"
	"mime"
	"mime/multipart"
	"net/mail"
	"strings"
	"testing"
)

// TestLetter posts a file, which the standard library reads back from the
// message (RFC 2045, RFC 2183), to each recipient, and again only to whom the
// server refused.
func TestLetter(t *testing.T) {
	s := newMailServer(t, func(s *mailServer) { s.replies["RCPT TO:<boss@kestrel.test>"] = "451 try later" })
	e := emailTo(t, s, func(o *EmailOptions) { o.To = []string{"desk@kestrel.test", "boss@kestrel.test"} })
	file := bytes.Repeat([]byte("%PDF \x00\xff\r\n"), 100)
	l := Letter{
		Key: "report-2026-03", Subject: "Zuverlässigkeit\r\nBcc: evil@kestrel.test", Text: "In short: 2 strikes.\n",
		File: &Attachment{Name: "2026-03.pdf", Type: "application/pdf", Data: file},
	}
	if err := e.Post(t.Context(), l); err == nil || IsPermanent(err) {
		t.Fatalf("one was put off: got %v", err)
	}
	s.mu.Lock()
	clear(s.replies)
	s.mu.Unlock()
	if err := e.Post(t.Context(), l); err != nil {
		t.Fatal(err)
	}
	got := s.received()
	if len(got) != 2 || got[0].to == got[1].to {
		t.Fatalf("want one message to each, got %+v", got)
	}
	m, err := mail.ReadMessage(strings.NewReader(got[1].data))
	if err != nil {
		t.Fatal(err)
	}
	if id := m.Header.Get("Message-ID"); !dotAtomID.MatchString(id) || m.Header.Get("Bcc") != "" || m.Header.Get("Auto-Submitted") != "auto-generated" {
		t.Errorf("header %v", m.Header)
	}
	media, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || media != "multipart/mixed" {
		t.Fatalf("%s, %v", media, err)
	}
	r, found := multipart.NewReader(m.Body, params["boundary"]), 0
	for {
		part, err := r.NextPart()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if part.FileName() == "" {
			continue
		}
		found++
		data, err := io.ReadAll(base64.NewDecoder(base64.StdEncoding, part))
		if err != nil || !bytes.Equal(data, file) || part.FileName() != "2026-03.pdf" || !strings.HasPrefix(part.Header.Get("Content-Type"), "application/pdf") {
			t.Errorf("%s of %s: %d bytes, %v", part.FileName(), part.Header.Get("Content-Type"), len(data), err)
		}
	}
	if found != 1 {
		t.Errorf("%d files", found)
	}
}
