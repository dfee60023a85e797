package ipp

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/OpenPrinting/goipp"
)

// program finds a program that Debian has in a folder for administrators.
func program(t *testing.T, name string) string {
	t.Helper()
	for _, try := range []string{name, "/usr/sbin/" + name} {
		if path, err := exec.LookPath(try); err == nil {
			return path
		}
	}
	t.Fatalf("no %s: deploy/test.sh installs it", name)
	return ""
}

// start runs a program until the test ends.
func start(t *testing.T, out io.Writer, env []string, name string, args ...string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, program(t, name), args...)
	cmd.Env, cmd.Stdout, cmd.Stderr, cmd.WaitDelay = append(os.Environ(), env...), out, out, 5*time.Second
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		_ = cmd.Wait() // it was ended
	})
}

// realPrinter starts ippeveprinter, the IPP printer of CUPS (Debian package
// cups-ipp-utils), on a loopback port. Every job that it is sent reports through
// its command what the file jam says. It insists on a D-Bus to announce itself on,
// and gets one of its own with nobody on it.
func realPrinter(t *testing.T) (address, jam string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "ipp") // a socket's path must be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	bus, log, command := filepath.Join(dir, "bus"), filepath.Join(dir, "log"), filepath.Join(dir, "print")
	jam = filepath.Join(dir, "jam")
	script := "#!/bin/sh\ncat " + jam + " >&2\n"
	if err := os.WriteFile(command, []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	out, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { out.Close() })
	start(t, out, nil, "dbus-daemon", "--session", "--address=unix:path="+bus, "--nofork", "--nopidfile", "--nosyslog")
	await(t, log, func() bool { _, err := os.Stat(bus); return err == nil })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address = l.Addr().String()
	_, port, _ := net.SplitHostPort(address)
	l.Close()
	start(t, out, []string{"DBUS_SYSTEM_BUS_ADDRESS=unix:path=" + bus},
		"ippeveprinter", "-r", "off", "-n", "localhost", "-p", port, "-d", dir, "-c", command, "-f", "application/pdf", "heron")
	await(t, log, func() bool {
		c, err := net.Dial("tcp", address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	return address, jam
}

func await(t *testing.T, log string, ready func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !ready(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			said, _ := os.ReadFile(log)
			t.Fatalf("the printer does not start:\n%s", said)
		}
	}
}

// print sends a job by Print-Job (RFC 8011, section 4.2.1).
func print(t *testing.T, address string) {
	t.Helper()
	m := goipp.NewRequest(goipp.MakeVersion(1, 1), goipp.OpPrintJob, 1)
	m.Operation.Add(goipp.MakeAttribute("attributes-charset", goipp.TagCharset, goipp.String("utf-8")))
	m.Operation.Add(goipp.MakeAttribute("attributes-natural-language", goipp.TagLanguage, goipp.String("en")))
	m.Operation.Add(goipp.MakeAttribute("printer-uri", goipp.TagURI, goipp.String("ipp://"+address+"/ipp/print")))
	m.Operation.Add(goipp.MakeAttribute("document-format", goipp.TagMimeType, goipp.String("application/pdf")))
	head, err := m.EncodeBytes()
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.Post("http://"+address+"/ipp/print", "application/ipp", io.MultiReader(bytes.NewReader(head), strings.NewReader("%PDF-1.7")))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	var got goipp.Message
	if err := got.DecodeBytes(data); err != nil || got.Code > 0xff {
		t.Fatalf("the job was not taken: %v, %s, %v", err, goipp.Status(got.Code), got.Unsupported)
	}
	http.DefaultClient.CloseIdleConnections()
}

// TestARealPrinter follows a printer that somebody else wrote through what a day
// brings: idle, film jammed under an open cover, cleared, and the feed empty.
func TestARealPrinter(t *testing.T) {
	address, jam := realPrinter(t)
	told := watching(t, "ipp://"+address+"/ipp/print", func(o *Options) { o.Every = 20 * time.Millisecond })
	// until waits for the news of a state; what a printer tells on its way there
	// depends on when it was asked.
	until := func(what string, ok func(state string, reasons []string) bool) {
		t.Helper()
		for {
			said := next(t, told)
			if said.Message == "" || said.Accepting == nil || len(said.Media) == 0 {
				t.Errorf("%s: the printer has a message, takes jobs and has media, and yet %+v", what, said)
			}
			if ok(said.State, said.Reasons) {
				return
			}
		}
	}
	until("idle", func(state string, reasons []string) bool { return state == "idle" && len(reasons) == 0 })
	for _, step := range []struct {
		said string
		want []string
	}{
		{"STATE: +media-jam,cover-open\n", []string{"cover-open-report", "media-jam-report"}},
		{"STATE: -media-jam,cover-open\n", nil},
	} {
		if err := os.WriteFile(jam, []byte(step.said), 0o644); err != nil {
			t.Fatal(err)
		}
		print(t, address)
		until(step.said, func(_ string, reasons []string) bool { return slices.Equal(reasons, step.want) })
	}
	// The feed is emptied on the printer's own page.
	resp, err := http.Get(fmt.Sprintf("http://%s/media?size1=na_letter_8.5x11in&type1=stationery&level1=0&size3=&type3=&level3=-2", address))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	http.DefaultClient.CloseIdleConnections()
	until("empty", func(_ string, reasons []string) bool { return slices.Contains(reasons, "media-empty-report") })
}
