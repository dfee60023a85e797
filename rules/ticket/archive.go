package ticket

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"path"
	"slices"
	"strings"
)

const (
	zipMagic = "PK\x03\x04" // of an entry, so of every package with one
	zipEnd   = "PK\x05\x06" // of the end record, alone in an empty package
)

// The limits of a package.
const (
	MaxEntries  = 1000     // entries, artwork included
	MaxInflated = 64 << 20 // bytes of all tickets and messages together
	MaxRatio    = 200      // inflated to compressed, for what is read
)

func isZIP(data []byte) bool {
	return bytes.HasPrefix(data, []byte(zipMagic)) || bytes.HasPrefix(data, []byte(zipEnd))
}

// archive is a ZIP package while it is read. Only messages and tickets are
// inflated, into memory; nothing is ever written anywhere.
type archive struct {
	r        *reader
	doc      *Document
	entries  map[string]*zip.File
	names    []string // sorted
	inflated int64
	read     map[string]bool
}

func (r *reader) archive(data []byte) (Document, error) {
	doc := Document{Format: FormatPackage}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return doc, brokenZIP(data, err)
	}
	a := &archive{r: r, doc: &doc, entries: map[string]*zip.File{}, read: map[string]bool{}}
	if err := a.list(z.File, len(data)); err != nil {
		return doc, err
	}
	if err := a.all(); err != nil {
		return doc, err
	}
	return doc, distinct(doc.Tickets)
}

// brokenZIP tells a package that is still being written, which has no end
// record yet, from a broken one.
func brokenZIP(data []byte, err error) error {
	if errors.Is(err, zip.ErrInsecurePath) {
		return &Error{Field: "entry", Kind: forbidden, Want: "names inside of the package", Got: "a name that leads out of it"}
	}
	e := &Error{Field: "file", Kind: malformed, Want: "a ZIP package", Got: err.Error()}
	if !bytes.Contains(data[1:], []byte(zipEnd)) && !bytes.HasPrefix(data, []byte(zipEnd)) {
		e.Kind, e.Incomplete, e.Got = incomplete, true, "one without its end"
	}
	return e
}

// list checks every entry, whether it will be read or not.
func (a *archive) list(files []*zip.File, size int) error {
	if len(files) > MaxEntries {
		return &Error{Field: "file", Kind: tooLarge, Want: fmt.Sprintf("at most %d entries", MaxEntries), Got: fmt.Sprintf("%d", len(files))}
	}
	var compressed uint64
	for _, f := range files {
		if err := checkEntry(f); err != nil {
			return err
		}
		name := path.Clean(f.Name)
		if a.entries[name] != nil {
			return entryError(f.Name, forbidden, "each name once", "the name twice")
		}
		if compressed += f.CompressedSize64; compressed > uint64(size) {
			return entryError(f.Name, forbidden, "entries that lie beside each other", "entries that overlap")
		}
		a.entries[name] = f
		a.names = append(a.names, name)
	}
	slices.Sort(a.names)
	return nil
}

// The flags of an entry that mean encryption (ZIP application note, 4.4.4).
const (
	flagEncrypted = 1 << 0
	flagStrong    = 1 << 6
	flagMasked    = 1 << 13
)

func checkEntry(f *zip.File) error {
	switch mode := f.Mode(); {
	case !containedName(f.Name):
		return entryError(f.Name, forbidden, "a relative name inside of the package, with / between folders", quote(f.Name))
	case mode.Type() != 0 && mode.Type() != fs.ModeDir:
		return entryError(f.Name, forbidden, "a plain file", "a link or another special file")
	case f.Flags&(flagEncrypted|flagStrong|flagMasked) != 0:
		return entryError(f.Name, forbidden, "an entry without encryption", "an encrypted one")
	case f.Method != zip.Store && f.Method != zip.Deflate:
		return entryError(f.Name, unsupported, "an entry that is stored or deflated", fmt.Sprintf("method %d", f.Method))
	}
	return nil
}

func entryError(name, kind, want, got string) error {
	return &Error{Field: "entry " + quote(name), Kind: kind, Want: want, Got: got}
}

// containedName reports whether a name stays inside of its package on every
// system that might ever unpack it.
func containedName(name string) bool {
	if name == "" || strings.ContainsAny(name, "\\\x00:") || path.IsAbs(name) {
		return false
	}
	return !slices.Contains(strings.Split(name, "/"), "..")
}

// all reads what the messages of the package submit; without a message, every
// ticket in it.
func (a *archive) all() error {
	messages := a.withSuffix(".xjmf", ".jmf")
	for _, name := range messages {
		if err := a.message(name); err != nil {
			return err
		}
	}
	tickets := a.withSuffix(".xjdf", ".jdf", ".json")
	for _, name := range tickets {
		if len(messages) > 0 {
			if !a.read[name] {
				a.doc.note("entry %s is submitted by no message of the package and was not read", quote(name))
			}
			continue
		}
		if err := a.ticket(name); err != nil {
			return err
		}
	}
	if len(messages) == 0 && len(tickets) == 0 {
		return &Error{Field: "file", Kind: unsupported, Want: "a package with an .xjmf message or an .xjdf, .jdf or .json ticket", Got: fmt.Sprintf("%d entries of other kinds", len(a.names))}
	}
	return nil
}

func (a *archive) withSuffix(suffixes ...string) []string {
	var out []string
	for _, name := range a.names {
		if slices.Contains(suffixes, strings.ToLower(path.Ext(name))) {
			out = append(out, name)
		}
	}
	return out
}

// message reads a message of the package: its signals, and the tickets that it
// submits.
func (a *archive) message(name string) error {
	sub, data, err := a.open(name)
	if err != nil {
		return err
	}
	root, err := sub.message(data)
	if err != nil {
		return inEntry(sub.file, err)
	}
	doc, err := sub.xml(root)
	if err != nil {
		return inEntry(sub.file, err)
	}
	a.take(doc)
	for _, params := range root.find("QueueSubmissionParams") {
		target, err := entryOf(name, params)
		if err == nil {
			err = a.submitted(params, target)
		}
		if err != nil {
			return inEntry(sub.file, err)
		}
	}
	return nil
}

// inEntry names the entry that an error is about. The package itself is whole,
// so half a ticket in it will not become one by waiting.
func inEntry(name string, err error) error {
	err = located(name, err)
	var e *Error
	if errors.As(err, &e) {
		e.Incomplete = false
	}
	return err
}

func (r *reader) message(data []byte) (*node, error) {
	text, err := toUTF8(data)
	if err != nil {
		return nil, err
	}
	root, err := parseXML(text)
	if err == nil && root.local != "XJMF" && root.local != "JMF" {
		err = &Error{Line: root.line, Field: "root element", Kind: unsupported, Want: "XJMF or JMF", Got: quote(root.local)}
	}
	return root, err
}

func (a *archive) submitted(params *node, target string) error {
	if a.entries[target] == nil {
		return params.bad("URL", "the name of an entry of the package")
	}
	return a.ticket(target)
}

func (a *archive) ticket(name string) error {
	if a.read[name] {
		return nil
	}
	a.read[name] = true
	sub, data, err := a.open(name)
	if err != nil {
		return err
	}
	if isZIP(data) {
		return entryError(name, unsupported, "a ticket", "a package inside of the package")
	}
	doc, err := sub.single(data)
	if err != nil {
		return inEntry(sub.file, err)
	}
	a.take(doc)
	return nil
}

// take adds what an entry said to the document of the package.
func (a *archive) take(doc Document) {
	a.doc.Tickets = append(a.doc.Tickets, doc.Tickets...)
	for _, s := range doc.Signals {
		s.position = len(a.doc.Signals) + 1
		a.doc.Signals = append(a.doc.Signals, s)
	}
	for _, n := range doc.Notes {
		a.doc.note("%s", n)
	}
}

// open inflates one entry, no further than the limits.
func (a *archive) open(name string) (*reader, []byte, error) {
	f := a.entries[name]
	in, err := f.Open()
	if err != nil {
		return nil, nil, entryError(name, malformed, "an entry that can be read", err.Error())
	}
	defer in.Close() //nolint:errcheck // it is only read, and reading tells all
	limit := a.limit(f)
	data, err := io.ReadAll(io.LimitReader(in, limit+1))
	if int64(len(data)) > limit {
		return nil, nil, entryError(name, tooLarge, "at most "+size(limit)+" unpacked", "more")
	}
	if err != nil {
		return nil, nil, entryError(name, malformed, "an entry that is whole", err.Error())
	}
	a.inflated += int64(len(data))
	sub := newReader(a.r.file+"!"+name, data, Options{Keys: a.r.keys, Location: a.r.location})
	sub.words, sub.inPackage = a.r.words, true
	return sub, data, nil
}

// limit is how many bytes an entry may inflate to: the size of a file, what
// is left for the package, and what its compressed size makes believable.
func (a *archive) limit(f *zip.File) int64 {
	const always = 64 << 10 // a small entry may be as regular as it likes
	believable := max(always, min(f.CompressedSize64, MaxBytes)*MaxRatio)
	return min(MaxBytes, MaxInflated-a.inflated, int64(believable))
}

// entryOf resolves the URL of a submission against the message that it stands
// in. Only what lies in the package is ever named.
func entryOf(message string, params *node) (string, error) {
	raw, ok := params.lookup("URL")
	if !ok {
		return "", params.missing("URL", "the name of an entry of the package")
	}
	out := params.fault("URL", forbidden, "a relative name inside of the package; nothing else is opened", shownURL(raw))
	u, err := url.Parse(raw)
	if err != nil || u.Scheme != "" || u.Opaque != "" || u.Host != "" || u.User != nil {
		return "", out
	}
	p := strings.ReplaceAll(u.Path, `\`, "/")
	target := path.Join(path.Dir(message), p)
	if p == "" || path.IsAbs(p) || !containedName(target) {
		return "", out
	}
	return target, nil
}

// shownURL writes a URL for a message without what may be secret in it.
func shownURL(raw string) string {
	u, err := url.Parse(raw)
	if err != nil {
		return "a URL that cannot be read"
	}
	return quote((&url.URL{Scheme: u.Scheme, Host: u.Host, Path: u.Path}).String())
}
