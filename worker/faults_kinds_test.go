package worker

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// killed: two workers, of which one runs the queue's server, and now and then a
// submitter, all killed at any moment while clips keep coming.
func killed(o *ordeal) {
	pool := []*process{o.start(), o.start()}
	for range times(12, 200) {
		js := o.make(1+o.r.IntN(2), "slow")
		if o.r.IntN(8) == 0 {
			bad := o.make(1, "bad")
			o.dead[bad[0].ID] = KindUnreadable
			js = append(js, append(bad, o.make(1, "nothing")...)...)
		}
		var s *process
		if o.r.IntN(3) == 0 {
			s = o.spawn("submitter", paths(js))
		} else {
			o.hand(js...)
		}
		o.nap(400 * time.Millisecond)
		if s != nil {
			if s.kill() {
				o.happened["submitters killed"]++
			}
			o.collect(s)
		}
		i := o.r.IntN(len(pool))
		what := "workers killed"
		if pool[i].said(`"owner":true`) {
			what = "workers killed with the server"
		}
		if pool[i].kill() {
			o.happened[what]++
		}
		pool[i] = o.start()
	}
}

// submittedOften: several processes submit the same clips at the same time, in different
// order, while a worker is at them.
func submittedOften(o *ordeal) {
	js := o.make(times(12, 60), "slow")
	o.start()
	for range times(2, 12) {
		var ps []*process
		for range 3 {
			o.r.Shuffle(len(js), func(i, k int) { js[i], js[k] = js[k], js[i] })
			ps = append(ps, o.spawn("submitter", paths(js)))
		}
		for _, p := range ps {
			if !p.ended(90 * time.Second) {
				o.t.Fatalf("a submitter hangs:\n%s", tail(p.log.String()))
			}
			o.collect(p)
			o.happened["submits"] += strings.Count(p.log.String(), "safe ")
		}
	}
}

// poison: clips that take their analysis down in every way there is, between clips
// that do not.
func poison(o *ordeal) {
	o.env = []string{"NIGHTCAGE_TEST_CHILDREN=1"}
	o.start(o.env...)
	for range times(1, 4) {
		for script, kind := range map[string]Kind{
			"segv": KindCrashed, "exit 7": KindCrashed, "exit 0": KindMalformed, "malformed": KindMalformed,
			"hang": KindStalled, "spin": KindTooLong, "memory": "any", // has many ways to end
		} {
			js := o.make(1, script)
			o.dead[js[0].ID] = kind
			o.happened["poison clips"]++
			o.hand(append(js, o.make(2, "ok")...)...)
		}
	}
}

// flipped: one bit at a time flips in any file that the queue's server keeps,
// after a kill and after a clean stop.
func flipped(o *ordeal) {
	o.hand(o.make(10, "slow")...)
	for range times(3, 40) {
		js := o.make(2, "slow")
		bad := o.make(1, "bad")
		o.dead[bad[0].ID] = KindUnreadable
		o.hand(append(js, bad...)...)
		p := o.start()
		o.nap(800 * time.Millisecond)
		if o.r.IntN(2) == 0 {
			p.kill()
		} else {
			p.cmd.Process.Signal(syscall.SIGTERM)
			if !p.ended(30 * time.Second) {
				o.t.Fatalf("a worker does not stop:\n%s", tail(p.log.String()))
			}
		}
		if name := o.flip(filepath.Join(o.Home.queueDir(), "jetstream")); name != "" {
			o.happened["bits flipped"]++
			o.t.Logf("flipped %s", name)
		}
	}
}

// flip flips one bit of one file below dir and returns the file's name, empty when
// there is no file with anything in it.
func (o *ordeal) flip(dir string) string {
	o.t.Helper()
	var files []string
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if info, err := d.Info(); err == nil && info.Size() > 0 {
				files = append(files, p)
			}
		}
		return err
	})
	if err != nil {
		o.t.Fatal(err)
	}
	if len(files) == 0 {
		return ""
	}
	p := files[o.r.IntN(len(files))]
	b, err := os.ReadFile(p)
	if err != nil {
		o.t.Fatal(err)
	}
	b[o.r.IntN(len(b))] ^= 1 << o.r.IntN(8)
	if err := os.WriteFile(p, b, 0o600); err != nil {
		o.t.Fatal(err)
	}
	return strings.TrimPrefix(p, dir)
}

// flippedRecords: a bit flips in stored files. The audit names each record, and a
// retry measures it again.
func flippedRecords(o *ordeal) {
	o.hand(o.make(times(8, 40), "ok")...)
	bad := o.make(2, "bad")
	for _, j := range bad {
		o.dead[j.ID] = KindUnreadable
	}
	o.hand(bad...)
	o.drain()
	for range times(4, 40) {
		name := o.flip(o.Home.RecordsDir())
		id := strings.Split(strings.TrimPrefix(name, "/"), "/")[0]
		if strings.HasPrefix(id, ".") {
			continue // kept from an earlier time
		}
		o.happened["bits flipped"]++
		o.withQueue(func(d *Desk) {
			a, err := Audit(o.t.Context(), d)
			if err != nil || len(a.Damaged) != 1 || a.Damaged[0] != id || a.Balanced() {
				o.t.Fatalf("%s flipped, audit: %+v, %v", name, a, err)
			}
			if err := d.Retry(o.t.Context(), id); err != nil {
				o.t.Fatalf("%s flipped: %v", name, err)
			}
		})
		o.drain()
	}
}

// noRoom: now and then no file of a worker or submitter can grow, as on a full disk.
func noRoom(o *ordeal) {
	p := o.start()
	for range times(4, 40) {
		js := o.make(2, "slow")
		s := o.spawn("submitter", paths(js))
		o.nap(500 * time.Millisecond)
		for _, q := range []*process{p, s} {
			var old unix.Rlimit
			if unix.Prlimit(q.cmd.Process.Pid, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: 0, Max: unix.RLIM_INFINITY}, &old) == nil {
				o.happened["times without room"]++
			}
		}
		o.nap(1500 * time.Millisecond)
		for _, q := range []*process{p, s} {
			// The process may have ended.
			unix.Prlimit(q.cmd.Process.Pid, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: unix.RLIM_INFINITY, Max: unix.RLIM_INFINITY}, nil)
		}
		if !s.ended(60 * time.Second) {
			o.t.Fatalf("a submitter hangs:\n%s", tail(s.log.String()))
		}
		o.collect(s)
		if p.ended(0) {
			o.happened["workers that gave up"]++
			p = o.start()
		}
	}
	o.recovers(p)
}

// recovers submits one more clip and waits for its record: a worker that is still
// there after a fault is at work.
func (o *ordeal) recovers(p *process) {
	o.t.Helper()
	last := o.make(1, "ok")
	for end := time.Now().Add(60 * time.Second); !o.promised[last[0].ID]; o.hand(last...) {
		if time.Now().After(end) {
			o.t.Fatalf("no clip can be submitted after the fault:\n%s", tail(p.log.String()))
		}
	}
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if e, err := o.Ledger.Get(o.t.Context(), last[0].ID); err == nil && e.State == StateMeasured {
			return
		}
		if p.ended(0) {
			o.happened["workers that gave up"]++
			p = o.start()
		}
		if time.Now().After(end) {
			o.t.Fatalf("a worker is there and measures nothing after the fault:\n%s", tail(p.log.String()))
		}
	}
}

// deadStorage: the folder of the clips goes away and comes back.
func deadStorage(o *ordeal) {
	p := o.start()
	away := o.clips + ".away"
	for range times(3, 30) {
		o.hand(o.make(4, "slow")...)
		o.nap(200 * time.Millisecond)
		if err := os.Rename(o.clips, away); err != nil {
			o.t.Fatal(err)
		}
		o.happened["times away"]++
		o.nap(time.Second)
		if err := os.Rename(away, o.clips); err != nil {
			o.t.Fatal(err)
		}
	}
	o.recovers(p)
}

// frozen: a process stands still, as one does whose disk does not answer, and goes
// on later; the queue may have given its job to another by then.
func frozen(o *ordeal) {
	pool := []*process{o.start(), o.start()}
	for i := range times(3, 12) {
		o.hand(o.make(4, "slow")...)
		p := pool[o.r.IntN(2)]
		p.cmd.Process.Signal(syscall.SIGSTOP)
		o.happened["freezes"]++
		if *long && i%4 == 0 {
			o.happened["of them longer than a job is kept"]++
			time.Sleep(ackWait + 5*time.Second)
		} else {
			o.nap(1500 * time.Millisecond)
		}
		p.cmd.Process.Signal(syscall.SIGCONT)
	}
	o.recovers(pool[0])
}

// clockJumps: each worker process has another idea of the time, up to a year off,
// and so has who submits. The ledger's clock and the jobs' times jump; the clock
// of the machine is not touched, so the queue's server does not see it.
func clockJumps(o *ordeal) {
	for range times(4, 40) {
		jump := time.Duration(o.r.IntN(2*365*24)-365*24) * time.Hour
		o.Ledger.now = func() time.Time { return time.Now().Add(jump) }
		js := o.make(3, "slow")
		for i := range js {
			js[i].SubmittedAt = js[i].SubmittedAt.Add(jump)
		}
		o.hand(js...)
		p := o.start("NIGHTCAGE_TEST_CLOCK=" + (-jump).String())
		o.happened["jumps"]++
		o.nap(600 * time.Millisecond)
		p.kill()
	}
	o.Ledger.now = time.Now
}

// severalServers: more workers than one are started on a home at the same moment,
// and the one that got the store leaves. Never do two have it.
func severalServers(o *ordeal) {
	var pool []*process
	for range times(2, 20) {
		for len(pool) < 4 {
			pool = append(pool, o.start())
		}
		o.hand(o.make(4, "slow")...)
		o.until(func() bool {
			for _, p := range pool {
				if !p.said(`"working"`) {
					return false
				}
			}
			return true
		})
		owner := -1
		for i, p := range pool {
			if !p.said(`"owner":true`) {
				continue
			}
			if owner >= 0 {
				o.t.Fatalf("two processes own the store:\n%s\n%s", tail(pool[owner].log.String()), tail(p.log.String()))
			}
			owner = i
		}
		if owner < 0 {
			o.t.Fatal("nobody owns the store")
		}
		o.happened["starts beside another"] += 3
		if o.r.IntN(2) == 0 {
			pool[owner].kill()
		} else {
			pool[owner].cmd.Process.Signal(syscall.SIGTERM)
			<-pool[owner].gone
		}
		o.happened["owners that left"]++
		pool = append(pool[:owner:owner], pool[owner+1:]...)
		o.until(func() bool { // one of the others takes over
			n := 0
			for _, p := range pool {
				if p.said(`"owner":true`) {
					n++
				}
			}
			if n > 1 {
				o.t.Fatal("two processes own the store")
			}
			return n == 1
		})
	}
}
