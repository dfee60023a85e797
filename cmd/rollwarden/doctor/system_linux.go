package doctor

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
)

// Disk implements System; see statfs(2).
func (Local) Disk(path string) (Disk, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(existing(path), &s); err != nil {
		return Disk{}, os.NewSyscallError("statfs "+path, err)
	}
	size := int64(s.Bsize)
	return Disk{FreeBytes: int64(s.Bavail) * size, Bytes: int64(s.Blocks) * size, FreeInodes: s.Ffree, Inodes: s.Files}, nil
}

// networkNames are the file systems that lie on another computer, or may. inotify
// tells of what this computer changes there and of nothing else (inotify(7),
// "Limitations and caveats"). Source of the numbers: linux/magic.h.
var networkNames = map[uint32]string{
	0x6969: "NFS", 0x517b: "SMB", 0xfe534d42: "SMB", 0xff534d42: "CIFS", 0x65735546: "FUSE", 0x01021997: "9P",
	0x00c36400: "Ceph", 0x5346414f: "AFS", 0x6b414653: "AFS", 0x73757245: "Coda", 0x7461636f: "OCFS2",
}

// FileSystem implements System.
func (Local) FileSystem(path string) (name string, network bool, err error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(existing(path), &s); err != nil {
		return "", false, os.NewSyscallError("statfs "+path, err)
	}
	if name, network = networkNames[uint32(s.Type)]; network {
		return name, true, nil
	}
	return fmt.Sprintf("type %#x", uint32(s.Type)), false, nil
}

// Device implements System.
func (Local) Device(path string) (uint64, error) {
	info, err := os.Stat(path)
	if err != nil {
		return 0, err
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, errors.ErrUnsupported
	}
	return uint64(stat.Dev), nil
}

// Writable implements System; see access(2). Reading names, writing and entering
// are all needed.
func (Local) Writable(folder string) error {
	const readWriteEnter = 4 | 2 | 1
	if err := syscall.Access(folder, readWriteEnter); err != nil {
		return &os.PathError{Op: "access", Path: folder, Err: err}
	}
	return nil
}

// Number implements System.
func (Local) Number(file string) (uint64, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return 0, err
	}
	return strconv.ParseUint(strings.TrimSpace(string(text)), 10, 64)
}

// Files implements System. Another process's limit is read as proc(5) writes
// it: "Max open files  soft  hard  files".
func (Local) Files(pid int) (uint64, error) {
	if pid == 0 {
		var r syscall.Rlimit
		err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &r)
		return r.Cur, os.NewSyscallError("getrlimit", err)
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/limits", pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "Max open files"); ok {
			if words := strings.Fields(rest); len(words) > 0 {
				return strconv.ParseUint(words[0], 10, 64)
			}
		}
	}
	return 0, errors.ErrUnsupported
}

// What adjtimex(2) says of a clock that nobody keeps right.
const (
	timeError      = 5      // TIME_ERROR, the state that is returned
	unsynchronised = 0x0040 // STA_UNSYNC, in the status
)

// Synchronised implements System. It only reads: no mode is set.
func (Local) Synchronised() (bool, error) {
	var t syscall.Timex
	state, err := syscall.Adjtimex(&t)
	if err != nil {
		return false, os.NewSyscallError("adjtimex", err)
	}
	return state != timeError && t.Status&unsynchronised == 0, nil
}
