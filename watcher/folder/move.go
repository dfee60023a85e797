package folder

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"unicode/utf8"
)

// maxName is the longest file name on common file systems, in bytes.
const maxName = 255

// mover takes one judged file out of the inbox.
type mover struct {
	tree tree
	name string      // in the inbox
	info fs.FileInfo // of what was judged
	mark string      // of the content, tells two files of one name apart
	dir  string      // where it goes
	note []byte      // what a person reads beside it; nil for none
}

// move brings the file to its place and returns that place. errChanged means
// that another content lay under the name; it is back in the inbox then and
// has to be judged anew. After any error the file is in the inbox, or in the
// taking folder from which the next scan puts it back.
//
// A name that is taken is kept, and so is the file: it gets the name
// stem~mark.ext, where mark is made of its content. Only when the same content
// lies there already is the second copy dropped; that is what makes a crash
// in the middle of a copy, and a file dropped twice, end in one copy.
func (m mover) move() (string, error) {
	held := takingDir + "/" + m.name
	if err := makeDir(m.tree, takingDir); err != nil {
		return "", err
	}
	if err := makeDir(m.tree, m.dir); err != nil {
		return "", err
	}
	// Whatever a failed recovery left there must not be overwritten.
	if _, err := m.tree.Lstat(held); !errors.Is(err, fs.ErrNotExist) {
		return "", errors.Join(fmt.Errorf("%s is still there from an earlier move; move it back into the inbox", held), err)
	}
	if err := m.tree.Rename(m.name, held); err != nil {
		return "", err
	}
	place, err := m.settle(held)
	if err != nil {
		// A failure here is mended by the next scan.
		_ = putBack(m.tree, m.name)
		return "", err
	}
	return place, nil
}

// settle moves the held file to its place once it is known to be the one that
// was judged. Nobody else knows the held name, so it stays that one.
func (m mover) settle(held string) (string, error) {
	info, err := m.tree.Lstat(held)
	if err != nil {
		return "", err
	}
	if !same(info, m.info) {
		return "", errChanged
	}
	name, folded, err := m.vacant(held)
	if err != nil {
		return "", err
	}
	// The reason comes first: a rejected file is never without one.
	reason := reasonName(name, m.mark)
	if m.note != nil {
		b := body{from: bytes.NewReader(m.note), size: int64(len(m.note)), perm: 0o644}
		if err := write(m.tree, m.dir, reason, b); err != nil {
			return "", fmt.Errorf("write the reason: %w", err)
		}
	}
	place := m.dir + "/" + name
	if folded {
		return place, m.tree.Remove(held)
	}
	err = m.tree.Rename(held, place)
	if errors.Is(err, syscall.EXDEV) {
		err = m.copyAcross(held, name)
	}
	if err != nil && m.note != nil {
		_ = m.tree.Remove(m.dir + "/" + reason) // a note about nothing would puzzle
	}
	return place, err
}

// vacant chooses the name in the target folder, and reports whether the same
// content has it already.
func (m mover) vacant(held string) (name string, folded bool, err error) {
	for i := 0; ; i++ {
		name = m.variant(i)
		there, err := m.tree.Lstat(m.dir + "/" + name)
		if errors.Is(err, fs.ErrNotExist) {
			return name, false, nil
		}
		if err != nil {
			return "", false, err
		}
		if !there.Mode().IsRegular() || !m.info.Mode().IsRegular() || there.Size() != m.info.Size() {
			continue
		}
		folded, err := sameContent(m.tree, held, m.dir+"/"+name)
		if folded || err != nil {
			return name, folded, err
		}
	}
}

func (m mover) variant(i int) string {
	switch i {
	case 0:
		return m.name
	case 1:
		return marked(m.name, m.mark)
	}
	return marked(m.name, fmt.Sprintf("%s-%d", m.mark, i))
}

// copyAcross moves a file to another file system: the copy is on the disk
// under its final name before the original goes.
func (m mover) copyAcross(held, name string) error {
	if !m.info.Mode().IsRegular() {
		return fmt.Errorf("%s is on another file system and only a plain file can be copied there; remove the file by hand: %w", m.dir, syscall.EXDEV)
	}
	src, err := openForReading(m.tree, held)
	if err != nil {
		return err
	}
	defer src.Close()
	b := body{from: src, size: m.info.Size(), perm: m.info.Mode().Perm(), mtime: m.info.ModTime()}
	if err := write(m.tree, m.dir, name, b); err != nil {
		return fmt.Errorf("copy to another file system: %w", err)
	}
	if err := syncDir(m.tree, m.dir); err != nil {
		return err
	}
	return m.tree.Remove(held)
}

// putBack returns a held file to the inbox. When a new file has come under
// its name in the meantime, both are kept, unless a crash came between copying
// the held one to its place and removing it here.
func putBack(t tree, name string) error {
	held := takingDir + "/" + name
	free := name
	for i := 2; ; i++ {
		_, err := t.Lstat(free)
		if errors.Is(err, fs.ErrNotExist) {
			return t.Rename(held, free)
		}
		if err != nil {
			return err
		}
		done, err := arrived(t, held, name)
		if err != nil {
			return err
		}
		if done {
			return t.Remove(held)
		}
		free = marked(name, strconv.Itoa(i))
	}
}

// arrived reports whether a copy of the held file lies where files go, under
// its own name or a marked one.
func arrived(t tree, held, name string) (bool, error) {
	info, err := t.Lstat(held)
	if err != nil || !info.Mode().IsRegular() {
		return false, err
	}
	stem := strings.TrimSuffix(name, filepath.Ext(name))
	for _, dir := range []string{AcceptedDir, RejectedDir} {
		names, err := list(t, dir)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false, err
		}
		for _, n := range names {
			if n != name && !strings.HasPrefix(n, stem+"~") {
				continue
			}
			there, err := t.Lstat(dir + "/" + n)
			if err != nil || !there.Mode().IsRegular() || there.Size() != info.Size() {
				continue
			}
			if equal, err := sameContent(t, held, dir+"/"+n); equal || err != nil {
				return equal, err
			}
		}
	}
	return false, nil
}

// recoverHeld puts back what a crash or a failed move left in the taking
// folder.
func recoverHeld(t tree) error {
	names, err := list(t, takingDir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, name := range names {
		err = errors.Join(err, putBack(t, name))
	}
	return err
}

// makeDir makes a folder of the inbox where there is none.
func makeDir(t tree, dir string) error {
	info, err := t.Lstat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return t.Mkdir(dir, 0o755)
	}
	if err != nil {
		return err
	}
	if !info.IsDir() {
		return fmt.Errorf("%s is not a folder; rename it, and the watcher makes the folder", dir)
	}
	return nil
}

// marked puts a mark before the extension: order.xjdf becomes order~mark.xjdf.
func marked(name, mark string) string {
	ext := filepath.Ext(name)
	return fit(strings.TrimSuffix(name, ext), "~"+mark+ext)
}

// reasonName is the name of the note beside a rejected file.
func reasonName(name, mark string) string {
	const tail = ".reason.txt"
	if len(name)+len(tail) <= maxName {
		return name + tail
	}
	return fit(name, "~"+mark+tail)
}

// fit shortens the stem, at a letter's end, until stem and tail are a name.
func fit(stem, tail string) string {
	for len(stem)+len(tail) > maxName && stem != "" {
		_, size := utf8.DecodeLastRuneInString(stem)
		stem = stem[:len(stem)-size]
	}
	return stem + tail
}
