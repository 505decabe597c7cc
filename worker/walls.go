package worker

import (
	"debug/elf"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Wall is one thing that the kernel keeps an analysis from.
type Wall string

// The walls.
const (
	// WallFiles: it reads its clip, the libraries and nothing else, and writes in
	// its scratch directory only.
	WallFiles Wall = "files"
	// WallPrograms: it starts ffmpeg and ffprobe and nothing else.
	WallPrograms Wall = "programs"
	// WallNetwork: it opens no socket, and makes none of the calls that an analysis
	// has no use for (see refusedCalls).
	WallNetwork Wall = "network"
	// WallSignals: it can end no process but those that it started.
	WallSignals Wall = "signals"
)

// Walls are those that stand on this machine. The zero value is none.
type Walls struct {
	landlock int  // version of the kernel's Landlock, 0 without
	signals  bool // and it keeps signals in without keeping threads apart
	calls    bool // the kernel filters system calls
}

// FindWalls asks the kernel.
func FindWalls() Walls {
	var w Walls
	if v, err := landlockVersion(unix.LANDLOCK_CREATE_RULESET_VERSION); err == nil {
		w.landlock = v
	}
	// Before erratum 2 was mended a thread behind the wall could not signal the
	// other threads of its own process, which the Go runtime does all the time.
	if errata, err := landlockVersion(unix.LANDLOCK_CREATE_RULESET_ERRATA); err == nil {
		w.signals = w.landlock >= 6 && errata&(1<<1) != 0
	}
	action := uint32(unix.SECCOMP_RET_ERRNO)
	_, _, e := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_GET_ACTION_AVAIL, 0, uintptr(unsafe.Pointer(&action)))
	w.calls = e == 0 && callsKnown()
	return w
}

func landlockVersion(flag uintptr) (int, error) {
	v, _, e := unix.Syscall(unix.SYS_LANDLOCK_CREATE_RULESET, 0, 0, flag)
	if e != 0 {
		return 0, e
	}
	return int(v), nil
}

// Standing lists the walls that stand.
func (w Walls) Standing() []Wall {
	var s []Wall
	// Until version 3 Landlock let files be cut short; the filter refuses that too.
	if w.landlock >= 3 || w.landlock > 0 && w.calls {
		s = append(s, WallFiles)
	}
	if w.landlock > 0 {
		s = append(s, WallPrograms)
	}
	if w.calls {
		s = append(s, WallNetwork)
	}
	if w.signals {
		s = append(s, WallSignals)
	}
	return s
}

// Missing lists the walls that this kernel cannot put up.
func (w Walls) Missing() []Wall {
	up := w.Standing()
	return slices.DeleteFunc([]Wall{WallFiles, WallPrograms, WallNetwork, WallSignals},
		func(x Wall) bool { return slices.Contains(up, x) })
}

func (w Walls) String() string {
	words := func(ws []Wall) string {
		if len(ws) == 0 {
			return "none"
		}
		var s []string
		for _, x := range ws {
			s = append(s, string(x))
		}
		return strings.Join(s, ", ")
	}
	if len(w.Missing()) == 0 {
		return words(w.Standing())
	}
	return words(w.Standing()) + "; missing: " + words(w.Missing())
}

// ErrNoWalls means that the kernel cannot keep an analysis in.
var ErrNoWalls = errors.New("this kernel cannot keep an analysis in: it needs Landlock (Linux 5.13 or later) and system call filters")

// Require returns an error that wraps ErrNoWalls unless files, programs and
// network are walled. Signals are not asked for: few kernels in use keep them in,
// and a worker that is killed loses nothing.
func (w Walls) Require() error {
	for _, x := range []Wall{WallFiles, WallPrograms, WallNetwork} {
		if !slices.Contains(w.Standing(), x) {
			return fmt.Errorf("%w: walls: %s", ErrNoWalls, w)
		}
	}
	return nil
}

// What a rule allows, of the rights that Landlock knows.
const (
	rightsFile   = unix.LANDLOCK_ACCESS_FS_READ_FILE
	rightsFolder = unix.LANDLOCK_ACCESS_FS_READ_FILE | unix.LANDLOCK_ACCESS_FS_READ_DIR
	rightsRun    = unix.LANDLOCK_ACCESS_FS_READ_FILE | unix.LANDLOCK_ACCESS_FS_EXECUTE
	rightsDevice = unix.LANDLOCK_ACCESS_FS_READ_FILE | unix.LANDLOCK_ACCESS_FS_WRITE_FILE
	// Plain files and folders: no links, pipes, sockets or devices for whoever
	// reads the result.
	rightsScratch = rightsFolder | unix.LANDLOCK_ACCESS_FS_WRITE_FILE | unix.LANDLOCK_ACCESS_FS_TRUNCATE |
		unix.LANDLOCK_ACCESS_FS_MAKE_REG | unix.LANDLOCK_ACCESS_FS_MAKE_DIR |
		unix.LANDLOCK_ACCESS_FS_REMOVE_FILE | unix.LANDLOCK_ACCESS_FS_REMOVE_DIR | unix.LANDLOCK_ACCESS_FS_REFER
)

// grant lets what is beneath a path be used.
type grant struct {
	path   string
	rights uint64
	must   bool // it is an error when there is no such path
}

// systemGrants are what programs and libraries read wherever they run. Folders of
// libraries hold nothing that is anyone's in particular; /etc and /proc do, so
// only single files of them are here.
func systemGrants() []grant {
	gs := []grant{{"/dev/null", rightsDevice, true}}
	for _, f := range []string{"/dev/urandom", "/dev/random", "/dev/zero", "/etc/ld.so.cache", "/etc/ld.so.conf", "/etc/localtime",
		"/proc/cpuinfo", "/proc/meminfo", "/proc/stat", "/proc/filesystems", "/proc/sys/vm/overcommit_memory"} {
		gs = append(gs, grant{path: f, rights: rightsFile})
	}
	folders := []string{"/lib", "/lib64", "/usr/lib", "/usr/lib64", "/usr/local/lib", "/usr/share/zoneinfo",
		"/sys/devices/system", "/sys/kernel/mm/transparent_hugepage"}
	for _, d := range append(folders, filepath.SplitList(os.Getenv("LD_LIBRARY_PATH"))...) {
		if filepath.IsAbs(d) {
			gs = append(gs, grant{path: d, rights: rightsFolder})
		}
	}
	return gs
}

// programGrants let a program be started: its file, and the loader that it names.
func programGrants(path string) ([]grant, error) {
	f, err := elf.Open(path)
	if err != nil {
		return nil, fmt.Errorf("program %s: %w", path, err)
	}
	defer f.Close()
	gs := []grant{{path, rightsRun, true}}
	for _, p := range f.Progs {
		if p.Type != elf.PT_INTERP {
			continue
		}
		name, err := io.ReadAll(p.Open())
		if err != nil {
			return nil, fmt.Errorf("program %s: %w", path, err)
		}
		gs = append(gs, grant{strings.TrimRight(string(name), "\x00"), rightsRun, true})
	}
	return gs, nil
}

// helpers are the programs that an analysis starts, as far as they are installed.
func helpers() []string {
	var found []string
	for _, name := range []string{"ffprobe", "ffmpeg"} {
		if p, err := exec.LookPath(name); err == nil {
			found = append(found, p)
		}
	}
	return found
}

// confineThread puts the calling thread, and every process that it starts from now
// on, behind Landlock's walls: nothing is read, written or run but what grants
// say. The thread must be locked to its goroutine and never be given back.
func (w Walls) confineThread(grants []grant) error {
	if w.landlock == 0 {
		return nil
	}
	attr := unix.LandlockRulesetAttr{Handled_access_fs: unix.LANDLOCK_ACCESS_FS_MAKE_SYM<<1 - 1}
	for _, later := range []struct {
		version int
		right   uint64
	}{{2, unix.LANDLOCK_ACCESS_FS_REFER}, {3, unix.LANDLOCK_ACCESS_FS_TRUNCATE}, {5, unix.LANDLOCK_ACCESS_FS_IOCTL_DEV}} {
		if w.landlock >= later.version {
			attr.Handled_access_fs |= later.right
		}
	}
	if w.landlock >= 4 {
		attr.Handled_access_net = unix.LANDLOCK_ACCESS_NET_BIND_TCP | unix.LANDLOCK_ACCESS_NET_CONNECT_TCP
	}
	if w.landlock >= 6 {
		attr.Scoped = unix.LANDLOCK_SCOPE_ABSTRACT_UNIX_SOCKET
	}
	if w.signals {
		attr.Scoped |= unix.LANDLOCK_SCOPE_SIGNAL
	}
	rules, _, e := unix.Syscall(unix.SYS_LANDLOCK_CREATE_RULESET, uintptr(unsafe.Pointer(&attr)), unsafe.Sizeof(attr), 0)
	if e != 0 {
		return fmt.Errorf("walls: rule set: %w", e)
	}
	defer unix.Close(int(rules))
	for _, g := range grants {
		if err := addGrant(int(rules), g, attr.Handled_access_fs); err != nil {
			return fmt.Errorf("walls: %s: %w", g.path, err)
		}
	}
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("walls: no new privileges: %w", err)
	}
	if _, _, e := unix.Syscall(unix.SYS_LANDLOCK_RESTRICT_SELF, rules, 0, 0); e != 0 {
		return fmt.Errorf("walls: restrict: %w", e)
	}
	return nil
}

func addGrant(rules int, g grant, handled uint64) error {
	fd, err := unix.Open(g.path, unix.O_PATH|unix.O_CLOEXEC, 0)
	if !g.must && (errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission)) {
		return nil
	}
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	rule := unix.LandlockPathBeneathAttr{Allowed_access: g.rights & handled, Parent_fd: int32(fd)}
	if _, _, e := unix.Syscall6(unix.SYS_LANDLOCK_ADD_RULE, uintptr(rules), unix.LANDLOCK_RULE_PATH_BENEATH,
		uintptr(unsafe.Pointer(&rule)), 0, 0, 0); e != 0 {
		return e
	}
	return nil
}
