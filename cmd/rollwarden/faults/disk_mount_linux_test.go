package faults

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// innerVariable marks the test binary that runs in a mount namespace of its own,
// and tells it where the program is.
const innerVariable = "ROLLWARDEN_FAULTS_INNER"

// ownMounts runs the test once more in a process whose mounts nobody else sees
// and that go with it, and reports whether it is that process. Whoever is not
// root gets a user namespace as well, where mounting is allowed (Linux
// user_namespaces(7)); a kernel that allows neither fails the test.
func ownMounts(t *testing.T) bool {
	t.Helper()
	if os.Getenv(innerVariable) != "" {
		if err := syscall.Mount("none", "/", "", syscall.MS_REC|syscall.MS_PRIVATE, ""); err != nil {
			t.Fatalf("keep mounts to this test: %v", err)
		}
		return true
	}
	bin, err := program()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$", "-test.v")
	cmd.Env = append(os.Environ(), innerVariable+"="+bin)
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS, Pdeathsig: syscall.SIGKILL}
	if uid := os.Getuid(); uid != 0 {
		cmd.SysProcAttr.Cloneflags |= syscall.CLONE_NEWUSER
		cmd.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: uid, Size: 1}}
		cmd.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}
	}
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	switch {
	case err == nil:
		t.Logf("%s", out)
	case errors.As(err, &exit):
		t.Fatalf("%v\n%s", err, out)
	default:
		t.Fatalf("start a process with mounts of its own: %v: run the tests as root, or on a kernel that lets users have namespaces", err)
	}
	return false
}

// smallDisk mounts a file system of so many bytes on a folder of the shop.
func (s *shop) smallDisk(name, size string) {
	s.tb.Helper()
	s.must(os.MkdirAll(s.path(name), 0o755))
	s.mount("tmpfs", s.path(name), "tmpfs", 0, "size="+size)
}

func (s *shop) mount(source, target, kind string, flags uintptr, data string) {
	s.tb.Helper()
	if err := syscall.Mount(source, target, kind, flags, data); err != nil {
		s.tb.Fatalf("mount %s: %v", target, err)
	}
	s.tb.Cleanup(func() { _ = syscall.Unmount(target, syscall.MNT_DETACH) }) // it may have been unmounted
}

// unmount takes a folder away at once, though the watch still has files open there.
func (s *shop) unmount(target string) {
	s.tb.Helper()
	if err := syscall.Unmount(target, syscall.MNT_DETACH); err != nil {
		s.tb.Fatalf("unmount %s: %v", target, err)
	}
}

// Flags of a mount that shows a folder somewhere else, and of what makes that
// read-only, for root as well.
const (
	bind     = syscall.MS_BIND
	remount  = syscall.MS_REMOUNT
	readonly = syscall.MS_RDONLY
)

// fill takes all the room of a file system and returns what gives it back.
func (s *shop) fill(dir string) (free func()) {
	s.tb.Helper()
	path := filepath.Join(dir, "filler")
	f, err := os.Create(path)
	s.must(err)
	defer f.Close()
	for chunk := make([]byte, 4096); err == nil; {
		_, err = f.Write(chunk)
	}
	if !errors.Is(err, syscall.ENOSPC) {
		s.tb.Fatalf("fill %s: %v", dir, err)
	}
	return func() {
		s.tb.Helper()
		s.must(os.Remove(path))
	}
}
