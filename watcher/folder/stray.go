package folder

import (
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// How much is looked at: so many names of one stray folder are counted, and so many
// folders of an inbox are looked into. Whoever keeps an archive there has been told.
const (
	mostStray   = 1000
	mostFolders = 100
)

// Stray is a folder below an inbox that nobody reads although tickets lie in it: one
// under the name of a machine that is not configured, or one that somebody made in the
// folder of a machine.
type Stray struct {
	Name  string // below the inbox, with forward slashes
	Files int    // tickets in it, mostStray at most
}

// String says what is wrong.
func (s Stray) String() string {
	count := fmt.Sprintf("%d files wait", s.Files)
	switch s.Files {
	case 1:
		count = "1 file waits"
	case mostStray:
		count = fmt.Sprintf("%d files or more wait", s.Files)
	}
	return fmt.Sprintf("folder %s belongs to no machine: %s", printable(s.Name), count)
}

// Next says what to do about a folder below dir.
func (s Stray) Next(dir string) string {
	return fmt.Sprintf("move what is in %s into the folder of a machine, or give a machine that folder in the configuration", printable(filepath.Join(dir, s.Name)))
}

// Strays finds the stray folders below an inbox. read are the folders that somebody
// reads, and which are not meant, however deep they lie. What cannot be looked into is
// left out.
func Strays(dir string, read []string) ([]Stray, error) {
	t, err := openTree(dir)
	if err != nil {
		return nil, err
	}
	defer t.Close()
	return strays(t, below(dir, read)), nil
}

// below are the names of those folders that lie below dir.
func below(dir string, folders []string) (names []string) {
	for _, folder := range folders {
		if name, err := filepath.Rel(dir, folder); err == nil && name != "." && filepath.IsLocal(name) {
			names = append(names, filepath.ToSlash(name))
		}
	}
	return names
}

// search looks for stray folders in an open inbox.
type search struct {
	tree
	read []string // names of the folders below it that are read
	left int      // how many more folders are looked into
	list []Stray
}

func strays(t tree, read []string) []Stray {
	s := search{tree: t, read: read, left: mostFolders}
	for _, e := range s.entries(".", -1) {
		s.look(".", e)
	}
	slices.SortFunc(s.list, func(a, b Stray) int { return strings.Compare(a.Name, b.Name) })
	return s.list
}

// look goes through one entry of a folder and what lies below.
func (s *search) look(in string, e fs.DirEntry) {
	name := path.Join(in, e.Name())
	if !e.IsDir() || strings.HasPrefix(e.Name(), ".") || e.Name() == AcceptedDir || e.Name() == RejectedDir || s.isRead(name) || s.left == 0 {
		return
	}
	s.left--
	files := 0
	for _, inside := range s.entries(name, mostStray) {
		if inside.IsDir() {
			s.look(name, inside)
		} else if isTicket(inside.Name()) {
			files++
		}
	}
	if files > 0 {
		s.list = append(s.list, Stray{name, files})
	}
}

// isRead reports whether a folder is one of those that are read. On a file system that
// takes Heron for heron the two are one folder.
func (s *search) isRead(name string) bool {
	return slices.ContainsFunc(s.read, func(one string) bool {
		if one == name || !strings.EqualFold(one, name) {
			return one == name
		}
		a, errA := s.Lstat(one)
		b, errB := s.Lstat(name)
		return errA == nil && errB == nil && os.SameFile(a, b)
	})
}

// entries lists up to most entries of a folder, or all below 1.
func (s *search) entries(dir string, most int) []fs.DirEntry {
	f, err := s.OpenFile(dir, os.O_RDONLY, 0)
	if err != nil {
		return nil
	}
	defer f.Close()
	list, _ := f.ReadDir(most) // what could be read of it
	return list
}

// lookForStrays looks now and then, and not while tickets wait for their turn, since
// nothing hurries.
func (w *watcher) lookForStrays(t tree, in *inbox) {
	if now := time.Now(); len(in.ready) == 0 && !now.Before(in.straysDue) {
		in.strays, in.straysDue = strays(t, below(in.Dir, w.known)), now.Add(w.o.Poll)
		w.tellStrays(in)
	}
}

// tellStrays logs each stray folder once.
func (w *watcher) tellStrays(in *inbox) {
	told := map[string]bool{}
	for _, s := range in.strays {
		told[s.Name] = true
		if !in.straysTold[s.Name] {
			w.o.Log.Warn().Str("folder", in.Dir).Str("next", s.Next(in.Dir)).Msg(s.String())
		}
	}
	in.straysTold = told
}

// straysText is what is wrong with all of them, and what to do.
func (in *inbox) straysText() string {
	var texts []string
	for _, s := range in.strays {
		texts = append(texts, s.String()+"; "+s.Next(in.Dir))
	}
	return strings.Join(texts, "; ")
}
