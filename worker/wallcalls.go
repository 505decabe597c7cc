package worker

import (
	"fmt"
	"runtime"
	"unsafe"

	seccomp "github.com/elastic/go-seccomp-bpf"
	"github.com/elastic/go-seccomp-bpf/arch"
	"golang.org/x/net/bpf"
	"golang.org/x/sys/unix"
)

// refusedCalls are system calls that measuring a clip has no use for and that
// reach past its process: the list is by what each group could do. Calls that an
// architecture does not have are left out there.
var refusedCalls = []string{
	// speak to anyone, or have the kernel do so
	"socket", "socketpair", "connect", "bind", "listen", "accept", "accept4", "sendto", "sendmsg", "sendmmsg",
	"io_uring_setup", "io_uring_enter", "io_uring_register", "mq_open", "msgget", "semget", "shmget",
	// look into or steer other processes
	"ptrace", "process_vm_readv", "process_vm_writev", "process_madvise", "process_mrelease", "pidfd_getfd", "kcmp",
	"move_pages", "migrate_pages", "perf_event_open", "bpf", "userfaultfd", "add_key", "request_key", "keyctl",
	// leave the group that is killed when the analysis is over
	"setsid", "setpgid",
	// run what is no file, past the wall round programs
	"memfd_create", "memfd_secret", "execveat",
	// change files that cannot be opened: Landlock does not look at these
	"truncate", "chmod", "fchmod", "fchmodat", "fchmodat2", "chown", "lchown", "fchown", "fchownat",
	"utime", "utimes", "futimesat", "utimensat", "setxattr", "lsetxattr", "fsetxattr", "removexattr", "lremovexattr", "fremovexattr",
	"name_to_handle_at", "open_by_handle_at", "fanotify_init", "quotactl", "quotactl_fd", "acct",
	// change what is mounted where, or the kernel's view of who this is
	"mount", "umount2", "move_mount", "open_tree", "fsopen", "fsconfig", "fsmount", "fspick", "mount_setattr", "pivot_root", "chroot",
	"unshare", "setns", "setuid", "setgid", "setreuid", "setregid", "setresuid", "setresgid", "setgroups", "capset",
	// the machine
	"reboot", "kexec_load", "kexec_file_load", "init_module", "finit_module", "delete_module", "swapon", "swapoff",
	"settimeofday", "clock_settime", "clock_adjtime", "adjtimex", "sethostname", "setdomainname", "syslog", "iopl", "ioperm",
	"vhangup", "lookup_dcookie", "nfsservctl", "uselib", "personality", "modify_ldt",
}

// lastCall is the latest system call of Linux 6.10, mseal. Later ones answer that
// they do not exist until someone has looked at them. Numbers from 424 on are the
// same on every architecture.
const lastCall = 462

// newSpaces are the flags by which clone makes what unshare makes.
const newSpaces = unix.CLONE_NEWUSER | unix.CLONE_NEWNS | unix.CLONE_NEWPID | unix.CLONE_NEWNET |
	unix.CLONE_NEWIPC | unix.CLONE_NEWUTS | unix.CLONE_NEWCGROUP

// callsKnown reports whether the filter can be made for this architecture.
func callsKnown() bool {
	_, err := callFilter()
	return err == nil
}

// callFilter is the program that the kernel runs at each system call.
func callFilter() ([]bpf.RawInstruction, error) {
	here, err := arch.GetInfo(runtime.GOARCH)
	if err != nil {
		return nil, fmt.Errorf("walls: system calls: %w", err)
	}
	if here != arch.X86_64 && here != arch.AARCH64 {
		return nil, fmt.Errorf("walls: system calls of %s were never tried", here.Name)
	}
	refuse := func(e unix.Errno) seccomp.Action {
		return seccomp.Action(unix.SECCOMP_RET_ERRNO | uint32(e))
	}
	var names []string
	for _, n := range refusedCalls {
		if _, ok := here.SyscallNames[n]; ok {
			names = append(names, n)
		}
	}
	policy := seccomp.Policy{DefaultAction: seccomp.ActionAllow, Syscalls: []seccomp.SyscallGroup{
		{Names: names, Action: refuse(unix.EPERM)},
		// The flags of clone3 lie in memory, where a filter cannot look; told that
		// there is none, libraries use clone.
		{Names: []string{"clone3"}, Action: refuse(unix.ENOSYS)},
		{NamesWithCondtions: []seccomp.NameWithConditions{
			{Name: "clone", Conditions: seccomp.ArgumentConditions{{Argument: 0, Operation: seccomp.BitsSet, Value: newSpaces}}},
			// Limits of another process: the worker's.
			{Name: "prlimit64", Conditions: seccomp.ArgumentConditions{{Argument: 0, Operation: seccomp.NotEqual, Value: 0}}},
		}, Action: refuse(unix.EPERM)},
	}}
	rest, err := policy.Assemble()
	if err != nil {
		return nil, fmt.Errorf("walls: system calls: %w", err)
	}
	// The policy lets the calls of another architecture through, which the same
	// processor also runs.
	const numberAt, archAt, word = 0, 4, 4
	return bpf.Assemble(append([]bpf.Instruction{
		bpf.LoadAbsolute{Off: archAt, Size: word},
		bpf.JumpIf{Cond: bpf.JumpEqual, Val: uint32(here.ID), SkipTrue: 1},
		bpf.RetConstant{Val: unix.SECCOMP_RET_KILL_PROCESS},
		bpf.LoadAbsolute{Off: numberAt, Size: word},
		bpf.JumpIf{Cond: bpf.JumpLessOrEqual, Val: lastCall, SkipTrue: 1},
		bpf.RetConstant{Val: uint32(refuse(unix.ENOSYS))},
	}, rest...))
}

// Confine takes the system calls of refusedCalls from this process and from all
// that it will start, for good, where the kernel can; a process that a Child
// started calls it before it touches a clip. The error says that the kernel can
// and did not.
func Confine() error {
	if !FindWalls().calls {
		return nil
	}
	raw, err := callFilter()
	if err != nil {
		return err
	}
	filter := make([]unix.SockFilter, len(raw))
	for i, r := range raw {
		filter[i] = unix.SockFilter{Code: r.Op, Jt: r.Jt, Jf: r.Jf, K: r.K}
	}
	prog := unix.SockFprog{Len: uint16(len(filter)), Filter: &filter[0]}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("walls: no new privileges: %w", err)
	}
	// All threads at once. A thread that cannot follow is named by its number.
	t, _, e := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, unix.SECCOMP_FILTER_FLAG_TSYNC, uintptr(unsafe.Pointer(&prog)))
	if e != 0 {
		return fmt.Errorf("walls: system calls: %w", e)
	}
	if t != 0 {
		return fmt.Errorf("walls: thread %d keeps its system calls", t)
	}
	return nil
}
