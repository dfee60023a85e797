package doctor

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
)

func told(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).Output()
	if err != nil {
		t.Fatalf("%s %v: %v", name, args, err)
	}
	return strings.TrimSpace(string(out))
}

// TestTheSystemsOwnPrograms compares what is asked here with what stat (GNU
// coreutils) and the shell's ulimit (POSIX) say of the same.
func TestTheSystemsOwnPrograms(t *testing.T) {
	dir := t.TempDir()
	d, err := Local{}.Disk(dir)
	if err != nil {
		t.Fatal(err)
	}
	var blocks, size int64
	var inodes uint64
	if _, err := fmt.Sscan(told(t, "stat", "-f", "-c", "%b %S %c", dir), &blocks, &size, &inodes); err != nil {
		t.Fatal(err)
	}
	if d.Bytes != blocks*size || d.Inodes != inodes {
		t.Errorf("%+v, and stat says %d blocks of %d bytes and %d inodes", d, blocks, size, inodes)
	}
	if d.FreeBytes <= 0 || d.FreeBytes > d.Bytes || d.FreeInodes > d.Inodes {
		t.Errorf("more is free than there is: %+v", d)
	}
	name, network, err := Local{}.FileSystem(dir)
	kind := told(t, "stat", "-f", "-c", "%t", dir)
	if err != nil || !network && name != "type 0x"+kind {
		t.Errorf("the file system is %s, %v, and stat says %s", name, err, kind)
	}
	device, err := Local{}.Device(dir)
	if want := told(t, "stat", "-c", "%d", dir); err != nil || fmt.Sprint(device) != want {
		t.Errorf("the device is %d, %v, and stat says %s", device, err, want)
	}
	if limit, err := (Local{}).Files(os.Getpid()); err != nil {
		t.Error(err)
	} else if own, err := (Local{}).Files(0); err != nil || own != limit {
		t.Errorf("this process may have %d files open, %v, and /proc says %d", own, err, limit)
	}
	shell := exec.Command("sh", "-c", "ulimit -n 123; echo set; read line")
	in, inErr := shell.StdinPipe()
	out, outErr := shell.StdoutPipe()
	if err := errors.Join(inErr, outErr, shell.Start()); err != nil {
		t.Fatal(err)
	}
	if _, err := out.Read(make([]byte, 1)); err != nil {
		t.Fatal(err)
	}
	if limit, err := (Local{}).Files(shell.Process.Pid); err != nil || limit != 123 {
		t.Errorf("another process was told to have 123, and %d was read, %v", limit, err)
	}
	in.Close()
	_ = shell.Wait() // without a line read fails
	if n, err := (Local{}).Number("/proc/sys/fs/inotify/max_user_watches"); err != nil || fmt.Sprint(n) != told(t, "cat", "/proc/sys/fs/inotify/max_user_watches") {
		t.Errorf("%d, %v", n, err)
	}
}

// TestNetworkFileSystems has the names of the kernel's own list (linux/magic.h).
func TestNetworkFileSystems(t *testing.T) {
	for magic, want := range map[uint32]string{0x6969: "NFS", 0xff534d42: "CIFS", 0x65735546: "FUSE"} {
		if networkNames[magic] != want {
			t.Errorf("%#x is %q, want %q", magic, networkNames[magic], want)
		}
	}
	if _, network := networkNames[0xef53]; network { // EXT4_SUPER_MAGIC
		t.Error("ext4 is no network file system")
	}
}
