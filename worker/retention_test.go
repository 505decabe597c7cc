package worker

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestExpire: film goes after its time, records after theirs; what is young, not
// done, or needed by a younger job stays.
func TestExpire(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	const team = "Cinder Creek Comets"
	day := 24 * time.Hour
	now := time.Now()
	aged := func(j Job, days int) Job {
		j.SubmittedAt = now.Add(-time.Duration(days) * day)
		return j
	}
	ancient := aged(n.of(team, "Rook Calder", "ancient.mp4", "ok"), 400)
	ancientBad := aged(n.of(team, "Rook Calder", "bad.mp4", "bad"), 400)
	old := aged(n.of(team, "Juniper Sable", "old.mp4", "ok"), 100)
	shared := aged(n.of(team, "Juniper Sable", "shared.mp4", "ok"), 100)
	sharedNew := aged(n.of(team, "Ozzie Marlow", "shared.mp4", "ok"), 1)
	young := aged(n.of(team, "Tamsin Vale", "young.mp4", "ok"), 1)
	n.submit(ancient, ancientBad, old, shared, sharedNew, young)
	n.drain()
	open := aged(n.of(team, "Tamsin Vale", "open.mp4", "ok"), 900)
	n.submit(open)

	expire := func(r Retention) (p Proof) {
		t.Helper()
		n.withQueue(func(d *Desk) {
			before, err := d.Expiring(context.Background(), r, now)
			if err != nil {
				t.Fatal(err)
			}
			if p, err = d.Expire(context.Background(), r, now); err != nil || !p.Clean() {
				t.Fatalf("%v %+v", err, p)
			}
			if before.Jobs != p.Jobs || before.was(StoreClips) != p.was(StoreClips) || before.Clean() {
				t.Errorf("announced %+v, removed %+v", before, p)
			}
		})
		return p
	}
	exists := func(j Job) bool { _, err := os.Stat(j.Clip); return err == nil }

	if p := expire(Retention{Clips: 90 * day}); p.Jobs != 0 || p.was(StoreClips) != 3 || len(p.Left) != 1 {
		t.Errorf("%+v", p)
	}
	if exists(ancient) || exists(ancientBad) || exists(old) || !exists(shared) || !exists(young) || !exists(open) {
		t.Error("the wrong clips are gone")
	}
	n.audit(5, 1, 1) // every record is there

	if p := expire(Retention{Records: 365 * day}); p.Jobs != 2 || p.was(StoreRecords) != 2 || p.was(StoreClips) != 0 || p.was(StoreDead) != 1 {
		t.Errorf("%+v", p)
	}
	n.audit(4, 0, 1)
	if in := append(n.find(ancient.ID), n.find(ancientBad.ID)...); in != nil {
		t.Errorf("named in %v", in)
	}

	// With the ledger lost, a record's own time counts.
	l, err := OpenLedger(t.Context(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	n.withQueue(func(d *Desk) {
		d.Ledger = l
		if p, err := d.Expiring(t.Context(), Retention{Records: day}, now.Add(2*day)); err != nil || p.Jobs != 4 {
			t.Errorf("%v %+v", err, p)
		}
		if p, err := d.Expiring(t.Context(), Retention{Records: day}, now); err != nil || p.Jobs != 0 {
			t.Errorf("%v %+v", err, p)
		}
	})
	n.drain()
	n.audit(5, 0, 0)
}
