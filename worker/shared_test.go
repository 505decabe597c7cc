package worker

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"nightcage/worker/depot"
)

// newBucket is a depot in an object store of this process.
func newBucket(t *testing.T) depot.Depot {
	t.Helper()
	t.Setenv("AWS_ACCESS_KEY_ID", "test")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "test")
	backend := s3mem.New()
	if err := backend.CreateBucket("night"); err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(gofakes3.New(backend, gofakes3.WithLogger(gofakes3.DiscardLog())).Server())
	t.Cleanup(srv.Close)
	b, err := depot.OpenBucket("s3://night/comets", srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func newFolder(t *testing.T) (depot.Depot, string) {
	t.Helper()
	root := filepath.Join(t.TempDir(), "depot")
	if err := os.Mkdir(root, 0o700); err != nil {
		t.Fatal(err)
	}
	d, err := depot.OpenDir(root)
	if err != nil {
		t.Fatal(err)
	}
	return d, root
}

func (n *night) deposited(dep depot.Depot, name, script string) Job {
	n.t.Helper()
	j, err := Deposit(n.t.Context(), dep, n.clip(name, script))
	if err != nil {
		n.t.Fatal(err)
	}
	return j
}

// Two hosts share a queue and a bucket and no file system: clips go one way, records
// and stills the other, and forgetting reaches the bucket.
func TestTwoHostsAndABucket(t *testing.T) {
	dep := newBucket(t)
	r := remoteServer(t)
	here, there := newNight(t), newNight(t)
	there.Depot = dep
	jobs := []Job{here.deposited(dep, "a.mp4", "ok"), here.clip("b.mp4", "two"), here.clip("c.mp4", "nothing")} // Submit deposits the others
	if j, err := Deposit(t.Context(), dep, jobs[0]); err != nil || !j.Deposited || j.ID != jobs[0].ID {
		t.Errorf("deposited again: %+v, %v", j, err)
	}
	q, err := OpenQueue(t.Context(), here.Home, QueueOptions{Remote: r})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	d := &Desk{Ledger: here.Ledger, Records: here.Records, Queue: q, Depot: dep}
	for _, j := range jobs {
		if _, err := d.Submit(t.Context(), j); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(j.Clip); err != nil { // the other host never saw it
			t.Fatal(err)
		}
	}
	there.Drain = true
	if err := there.Serve(t.Context(), t.Context(), QueueOptions{Remote: r}); err != nil {
		t.Fatal(err)
	}
	left, err := os.ReadDir(there.Home.scratchDir())
	if err != nil || len(left) != 0 {
		t.Errorf("copies of clips left behind: %v, %v", left, err)
	}
	if rec, err := Reconcile(t.Context(), d); err != nil || rec.Settled != 3 {
		t.Fatalf("%+v, %v", rec, err)
	}
	for _, j := range jobs {
		theirs, err := there.Records.Files(j.ID)
		if err != nil {
			t.Fatal(err)
		}
		ours, err := here.Records.Files(j.ID)
		if err != nil || !slices.Equal(ours, theirs) {
			t.Fatalf("files %v, %v, want %v", ours, err, theirs)
		}
		for _, name := range ours {
			a, aerr := here.Records.ReadFile(j.ID, name)
			b, berr := there.Records.ReadFile(j.ID, name)
			if aerr != nil || berr != nil || !bytes.Equal(a, b) {
				t.Errorf("%s: %v, %v", name, aerr, berr)
			}
		}
	}
	if a, err := Audit(t.Context(), d); err != nil || !a.Balanced() || a.Recorded != 3 {
		t.Errorf("%v, %v", a, err)
	}

	p, err := d.Forget(t.Context(), Hitter{Name: "Wren Alder"})
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(p.Counts, func(c Count) bool { return c.Store == StoreDepot })
	if i < 0 || p.Counts[i].Was < 10 || p.Counts[i].Is != 0 {
		t.Errorf("proof %+v", p.Counts)
	}
	if keys, err := dep.List(t.Context(), ""); err != nil || len(keys) != 0 {
		t.Errorf("left in the bucket: %v, %v", keys, err)
	}
}

// The depot is away for part of the night: clips wait, no attempt is used up, and the
// worker says that it is not ready.
func TestDepotThatIsAwayForAWhile(t *testing.T) {
	t.Parallel()
	dep, root := newFolder(t)
	n := newNight(t)
	n.Depot, n.Policy.MaxAttempts = dep, 2
	j, late := n.deposited(dep, "a.mp4", "ok"), n.clip("b.mp4", "ok")
	n.atWork()
	if err := os.Rename(root, root+".away"); err != nil {
		t.Fatal(err)
	}
	if _, err := Deposit(t.Context(), dep, late); !errors.Is(err, ErrStorage) {
		t.Errorf("deposit: %v", err)
	}
	n.only(CheckStore, depot.ErrAway.Error())
	n.submit(j)
	time.Sleep(4 * pullWait)
	if e, err := n.Ledger.Get(t.Context(), j.ID); err != nil || e.State.Final() || e.Tries.Attempts > 0 {
		t.Errorf("%+v, %v", e, err)
	}
	if err := os.Rename(root+".away", root); err != nil {
		t.Fatal(err)
	}
	n.failing() // looks anew, as the worker does by itself a little later
	n.waitFor(j, StateMeasured)
}

// stuck is a depot whose files stop coming.
type stuck struct{ depot.Depot }

func (s stuck) Get(ctx context.Context, key string) (io.ReadCloser, error) {
	if !strings.HasPrefix(key, "clips/") {
		return s.Depot.Get(ctx, key)
	}
	return io.NopCloser(readerFunc(func([]byte) (int, error) {
		<-ctx.Done()
		return 0, ctx.Err()
	})), nil
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

// A clip that cannot be read any further is the storage's fault: tried again without
// end. An analysis that makes no progress is given up after two.
func TestClipThatStopsComing(t *testing.T) {
	t.Parallel()
	dep, _ := newFolder(t)
	n := newNight(t)
	n.Depot, n.StallAfter, n.Policy.MaxAttempts = stuck{dep}, 50*time.Millisecond, 2
	j := n.deposited(dep, "a.mp4", "ok")
	n.submit(j)
	n.atWork()
	waitUntil(t, func() bool {
		h, err := n.Ledger.History(t.Context(), j.ID)
		return err == nil && len(h) > 10
	})
	if e, err := n.Ledger.Get(t.Context(), j.ID); err != nil || e.State.Final() || e.Kind != KindStorage || e.Tries.Attempts > 1 {
		t.Errorf("%+v, %v", e, err)
	}
}

func TestDepositedClips(t *testing.T) {
	t.Parallel()
	dep, root := newFolder(t)
	n := newNight(t)
	n.Depot = dep
	changed, gone, kept := n.deposited(dep, "a.mp4", "ok"), n.deposited(dep, "b.mp4", "ok"), n.clip("c.mp4", "ok")
	if err := os.WriteFile(filepath.Join(root, "clips", changed.ClipSHA256), []byte("other bytes"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(root, "clips", gone.ClipSHA256)); err != nil {
		t.Fatal(err)
	}
	// A file that changed between hashing and handing in is refused, and not kept.
	if err := os.WriteFile(kept.Clip, []byte("ok\nother"), 0o600); err != nil {
		t.Fatal(err)
	}
	var f *Failure
	if _, err := Deposit(t.Context(), dep, kept); !errors.As(err, &f) || f.Kind != KindClipChanged {
		t.Errorf("deposit of a changed file: %v", err)
	}
	if _, err := os.Stat(filepath.Join(root, "clips", kept.ClipSHA256)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("it is kept: %v", err)
	}
	n.submit(changed, gone)
	n.drain()
	for _, c := range []struct {
		job  Job
		kind Kind
	}{{changed, KindClipChanged}, {gone, KindClipMissing}} {
		e, err := n.Ledger.Get(t.Context(), c.job.ID)
		if err != nil || e.State != StateDead || e.Kind != c.kind {
			t.Errorf("%s: %+v, %v", c.kind, e, err)
		}
	}
	n.audit(0, 2, 0)
}

// A shared record that was tampered with does not come home.
func TestDamagedSharedRecord(t *testing.T) {
	t.Parallel()
	dep, root := newFolder(t)
	n, home := newNight(t), newNight(t)
	n.Depot = dep
	j := n.deposited(dep, "a.mp4", "ok")
	n.submit(j)
	n.drain()
	d := &Desk{Ledger: home.Ledger, Records: home.Records, Depot: dep}
	for name, content := range map[string]string{"1/record.json": "{}", "sums": "0000  ../../etc/passwd\n"} {
		p := filepath.Join(root, "records", j.ID, name)
		was, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := d.bring(t.Context(), j.ID); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := home.Records.Get(j.ID); !errors.Is(err, ErrNoRecord) {
			t.Errorf("%s: stored: %v", name, err)
		}
		if err := os.WriteFile(p, was, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if ok, err := d.bring(t.Context(), j.ID); !ok || err != nil {
		t.Errorf("mended: %v, %v", ok, err)
	}
}
