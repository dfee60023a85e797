package archive

import (
	"archive/tar"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// What an archive is made of.
const (
	manifestName    = "manifest.json"
	sumsName        = "SHA256SUMS"
	descriptionName = "journal/backup.json"
	streamName      = "journal/stream.arc.s2"
	configFolder    = "configuration"
)

// kept are the folders of the data folder that an archive takes besides the
// journal: the states of the fold, those at which months began with the marks of
// what was mailed, the reports that were written, and how far the run logs were
// read, without which rows from after the backup would be passed over.
var kept = []string{"snapshots", "months", "reports", "run-logs"}

// mostFiles is how many files an archive may have; a shop's has some hundred.
const mostFiles = 100_000

// packer writes the files of an archive and remembers their sums.
type packer struct {
	tar  *tar.Writer
	at   time.Time // of every file
	sums map[string]string
}

func newPacker(w io.Writer, at time.Time) *packer {
	return &packer{tar.NewWriter(w), at.UTC().Truncate(time.Second), map[string]string{}}
}

// add writes one file.
func (p *packer) add(name string, size int64, r io.Reader) error {
	if err := p.tar.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, ModTime: p.at}); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	sum := sha256.New()
	if n, err := io.Copy(io.MultiWriter(p.tar, sum), r); err != nil || n != size {
		return fmt.Errorf("%s: %w", name, errors.Join(err, fmt.Errorf("wrote %d of %d bytes", n, size)))
	}
	p.sums[name] = hex.EncodeToString(sum.Sum(nil))
	return nil
}

func (p *packer) addBytes(name string, data []byte) error {
	return p.add(name, int64(len(data)), bytes.NewReader(data))
}

// addFile writes a file as it is now. One that is gone, as an old snapshot may
// be, is left out.
func (p *packer) addFile(name, file string) error {
	data, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return p.addBytes(name, data)
}

// addFolder writes the plain files of a folder and of those below it. What
// begins with a dot or ends in .tmp is being written.
func (p *packer) addFolder(name, folder string) error {
	return filepath.WalkDir(folder, func(file string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || !d.Type().IsRegular() || strings.HasPrefix(d.Name(), ".") || strings.HasSuffix(d.Name(), ".tmp") {
			return err
		}
		below, err := filepath.Rel(folder, file)
		if err != nil {
			return err
		}
		return p.addFile(path.Join(name, filepath.ToSlash(below)), file)
	})
}

// close writes the sums, which come last, so that an archive without them is one
// that was cut off.
func (p *packer) close() error {
	var list strings.Builder
	for _, name := range slices.Sorted(maps.Keys(p.sums)) {
		fmt.Fprintf(&list, "%s  %s\n", p.sums[name], name) // as sha256sum writes it
	}
	if err := p.addBytes(sumsName, []byte(list.String())); err != nil {
		return err
	}
	return p.tar.Close()
}

// unpack writes the files of an archive into a folder and checks every sum. An
// empty folder name only checks.
func unpack(file, folder string, tell func(done, total int64)) (m Manifest, err error) {
	f, err := os.Open(file)
	if err != nil {
		return m, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return m, err
	}
	u := unpacker{folder: folder, sums: map[string]string{}, texts: map[string][]byte{}}
	counted := &counter{r: f, tell: func(done int64) { tell(done, info.Size()) }}
	if err := u.readAll(tar.NewReader(counted)); err != nil {
		return m, err
	}
	if err := u.compare(); err != nil {
		return m, err
	}
	return parseManifest(u.texts[manifestName])
}

// counter tells how much was read.
type counter struct {
	r    io.Reader
	n    int64
	tell func(done int64)
}

// Read implements io.Reader.
func (c *counter) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.n += int64(n)
	c.tell(c.n)
	return n, err
}

// unpacker reads the files of an archive.
type unpacker struct {
	folder string
	sums   map[string]string
	texts  map[string][]byte // of the manifest and of the sums
}

func (u *unpacker) readAll(r *tar.Reader) error {
	for range mostFiles {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return damaged("read the next file: %w", err)
		}
		if err := u.read(h, r); err != nil {
			return err
		}
	}
	return damaged("want at most %d files", mostFiles)
}

// read takes one file. Only plain files below the folder are taken, whatever
// the archive says.
func (u *unpacker) read(h *tar.Header, r io.Reader) error {
	_, twice := u.sums[h.Name]
	_, ended := u.texts[sumsName]
	switch {
	case h.Typeflag != tar.TypeReg || !filepath.IsLocal(filepath.FromSlash(h.Name)) || path.Clean(h.Name) != h.Name || !known(h.Name):
		return damaged("%q: want a plain file of a name that an archive has", h.Name)
	case twice:
		return damaged("%q is in it twice", h.Name)
	case ended:
		return damaged("%q comes after %s", h.Name, sumsName)
	}
	sum := sha256.New()
	out := []io.Writer{sum}
	var text bytes.Buffer
	if h.Name == manifestName || h.Name == sumsName {
		out, r = append(out, &text), io.LimitReader(r, 64<<20)
	}
	if u.folder != "" {
		f, err := u.create(h.Name)
		if err != nil {
			return err
		}
		defer f.Close()
		out = append(out, f)
	}
	if _, err := io.Copy(io.MultiWriter(out...), r); err != nil {
		if errors.Is(err, io.ErrUnexpectedEOF) {
			return damaged("%s: it ends within this file", h.Name)
		}
		return fmt.Errorf("%s: %w", h.Name, err)
	}
	u.sums[h.Name] = hex.EncodeToString(sum.Sum(nil))
	if text.Len() > 0 || h.Name == sumsName {
		u.texts[h.Name] = text.Bytes()
	}
	return nil
}

// known reports whether an archive has files of such a name.
func known(name string) bool {
	top, _, below := strings.Cut(name, "/")
	if !below {
		return top == manifestName || top == sumsName
	}
	return name == descriptionName || name == streamName || top == configFolder || slices.Contains(kept, top)
}

func (u *unpacker) create(name string) (*os.File, error) {
	file := filepath.Join(u.folder, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(file), 0o750); err != nil {
		return nil, err
	}
	return os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
}

// compare wants every file to have its sum, and every sum its file.
func (u *unpacker) compare() error {
	text, whole := u.texts[sumsName]
	if !whole {
		return damaged("it ends before %s: it was cut off, or is no backup", sumsName)
	}
	delete(u.sums, sumsName)
	listed := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		sum, name, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		if !ok || u.sums[name] != sum {
			return damaged("%s: its SHA-256 is not the one that %s has", name, sumsName)
		}
		listed[name] = true
	}
	for _, name := range slices.Sorted(maps.Keys(u.sums)) {
		if !listed[name] {
			return damaged("%s is not listed in %s", name, sumsName)
		}
	}
	for _, name := range []string{manifestName, descriptionName, streamName} {
		if !listed[name] {
			return damaged("%s is missing", name)
		}
	}
	return nil
}
