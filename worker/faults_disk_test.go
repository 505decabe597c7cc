package worker

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// insideEnv names the fault for which this process has a disk of its own, and where.
const (
	insideEnv = "NIGHTCAGE_TEST_INSIDE"
	diskEnv   = "NIGHTCAGE_TEST_DISK"
)

// onDisk are the faults that need a disk of their own.
var onDisk = map[string]func(*ordeal){"full": fullDisk, "read-only": readOnly}

// inside runs this test binary again in a user and mount namespace, where it may
// mount a small disk, and takes over its line of the table.
func (o *ordeal) inside(fault string) {
	o.t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestFaults$", "-test.timeout=20m", "-long")
	cmd.Env = append(os.Environ(), insideEnv+"="+fault, diskEnv+"="+o.t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  unix.CLONE_NEWUSER | unix.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}},
		Pdeathsig:   syscall.SIGKILL,
	}
	out, err := cmd.CombinedOutput()
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EINVAL) {
		o.t.Fatalf("this machine refuses user namespaces, so no disk can be filled: %v", err)
	}
	if err != nil {
		o.t.Fatalf("%v\n%s", err, tail(string(out)))
	}
	for line := range strings.Lines(string(out)) {
		if row, ok := strings.CutPrefix(line, "row: "); ok {
			o.row = strings.TrimSpace(row)
		}
	}
	if o.row == "" {
		o.t.Fatalf("no row in\n%s", tail(string(out)))
	}
}

// mountDisk makes a small disk the place of all temporary files of this process.
func mountDisk() error {
	disk := os.Getenv(diskEnv)
	if err := unix.Mount("nightcage", disk, "tmpfs", 0, "size=24m"); err != nil {
		return fmt.Errorf("mount a disk at %s: %w", disk, err)
	}
	return os.Setenv("TMPDIR", disk)
}

// fullDisk: the disk fills up to the last byte, or to a few kilobytes before it,
// and is freed again, with worker and submitter at work.
func fullDisk(o *ordeal) {
	p := o.start()
	filler := filepath.Join(os.Getenv(diskEnv), "filler")
	for range 25 {
		js := o.make(2, "slow")
		o.nap(200 * time.Millisecond)
		if err := fill(filler, int64(o.r.IntN(3)*o.r.IntN(40_000))); err != nil {
			o.t.Fatal(err)
		}
		o.happened["times full"]++
		o.hand(js...)
		o.nap(1500 * time.Millisecond)
		if err := os.Remove(filler); err != nil {
			o.t.Fatal(err)
		}
		o.hand(js...)
		if p.ended(0) {
			o.happened["workers that gave up"]++
			p = o.start()
		}
	}
	o.recovers(p)
}

// fill writes until nothing fits and then takes back left bytes.
func fill(path string, left int64) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	for block := 1 << 20; block > 0; {
		if _, err := f.Write(make([]byte, block)); errors.Is(err, unix.ENOSPC) {
			block /= 2
		} else if err != nil {
			return err
		}
	}
	st, err := f.Stat()
	if err != nil {
		return err
	}
	return f.Truncate(max(0, st.Size()-left))
}

// readOnly: the disk can be read and not written. Worker and submitter say so and
// leave; afterwards everything is as it was.
func readOnly(o *ordeal) {
	disk := os.Getenv(diskEnv)
	for range 10 {
		o.hand(o.make(3, "slow")...)
		p := o.start()
		o.nap(300 * time.Millisecond)
		p.kill()
		later := o.make(1, "slow")
		o.Ledger.Close()
		if err := unix.Mount("", disk, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
			o.t.Fatalf("make the disk read-only: %v", err)
		}
		o.happened["times read-only"]++
		for _, p := range []*process{o.start(), o.spawn("submitter", paths(later))} {
			if !p.ended(30*time.Second) || p.cmd.ProcessState.Success() || !p.said("read-only file system") {
				o.t.Errorf("on a read-only disk: %v\n%s", p.cmd.ProcessState, tail(p.log.String()))
			}
			o.happened["refusals"]++
		}
		if err := unix.Mount("", disk, "", unix.MS_REMOUNT, ""); err != nil {
			o.t.Fatalf("make the disk writable: %v", err)
		}
		l, err := OpenLedger(o.t.Context(), o.Home.LedgerPath())
		if err != nil {
			o.t.Fatal(err)
		}
		o.Ledger = l
		o.hand(later...)
	}
}
