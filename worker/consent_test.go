package worker

import (
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/vision"
)

// stored is the one event of a measured job.
func (n *night) stored(j Job) event.Event {
	n.t.Helper()
	rec, err := n.Records.Get(j.ID)
	if err != nil || rec.Failed || len(rec.Events) != 1 {
		n.t.Fatalf("%v %+v", err, rec)
	}
	return rec.Events[0]
}

// TestConsentThroughTheNight: what is told with the clip is in the record and
// lets it be shown; without it nothing is; the last word counts.
func TestConsentThroughTheNight(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	ctx := t.Context()
	told := time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)
	asked := n.clip("asked.mp4", "ok")
	asked.Consent = Consent{ConsentGuardian, told}
	other := n.clip("other.mp4", "ok")
	other.Subject.Hitter = "Juniper Sable"
	n.submit(asked, other)
	n.drain()

	yes, no := n.stored(asked), n.stored(other)
	if c := consentIn(yes); c.By != ConsentGuardian || !c.Told.Equal(told) {
		t.Errorf("the record says %+v", c)
	}
	if err := n.Ledger.MayShare(ctx, yes); err != nil {
		t.Error(err)
	}
	var missing *ConsentError
	if err := n.Ledger.MayShare(ctx, no); !errors.As(err, &missing) || !errors.Is(err, ErrNoConsent) || missing.Hitter != "Juniper Sable" {
		t.Errorf("never asked: %v", err)
	}
	// A ledger that was lost: the record itself still says it.
	fresh, err := OpenLedger(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer fresh.Close()
	if err := fresh.MayShare(ctx, yes); err != nil {
		t.Error(err)
	}
	// Withdrawn, in other spelling: for the records stored before too.
	tell := func(by ConsentBy, at time.Time) {
		t.Helper()
		if err := n.Ledger.TellConsent(ctx, "cinder creek comets", " WREN ALDER", Consent{by, at}); err != nil {
			t.Fatal(err)
		}
	}
	tell(ConsentNone, told.Add(time.Hour))
	if err := n.Ledger.MayShare(ctx, yes); !errors.Is(err, ErrNoConsent) {
		t.Errorf("withdrawn: %v", err)
	}
	tell(ConsentGuardian, told) // an older word heard late changes nothing
	if err := n.Ledger.MayShare(ctx, yes); !errors.Is(err, ErrNoConsent) {
		t.Errorf("withdrawn, then an old yes: %v", err)
	}
	tell(ConsentSelf, told.Add(2*time.Hour))
	if err := n.Ledger.MayShare(ctx, yes); err != nil {
		t.Error(err)
	}
	// Another team's hitter of that name has not agreed.
	yes.SetExtension(extTeam, "Gravel Road Herons")
	yes.SetExtension(extConsent, nil)
	if err := n.Ledger.MayShare(ctx, yes); !errors.Is(err, ErrNoConsent) {
		t.Errorf("another team: %v", err)
	}
}

// TestConsentWithAKnownClip: consent that comes after the clip was measured
// needs no second measuring.
func TestConsentWithAKnownClip(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.drain()
	if err := n.Ledger.MayShare(t.Context(), n.stored(j)); !errors.Is(err, ErrNoConsent) {
		t.Fatal(err)
	}
	again := j
	again.Consent = Consent{ConsentGuardian, time.Now()}
	if got := n.submit(again); got[0] != OutcomeMeasured {
		t.Fatal(got)
	}
	if err := n.Ledger.MayShare(t.Context(), n.stored(j)); err != nil {
		t.Error(err)
	}
}

func TestCheckConsent(t *testing.T) {
	for _, c := range []struct {
		by    ConsentBy
		level vision.Level
		ok    bool
	}{
		{"", vision.LevelYouth, true},
		{ConsentGuardian, vision.LevelYouth, true},
		{ConsentSelf, vision.LevelYouth, false},
		{ConsentSelf, vision.LevelCollege, true},
		{ConsentNone, "", true},
		{"yes", "", false},
	} {
		var f *Failure
		if err := CheckConsent(c.by, c.level); (err == nil) != c.ok || err != nil && (!errors.As(err, &f) || f.Kind != KindBadSubject) {
			t.Errorf("%q %q: %v", c.by, c.level, err)
		}
	}
}
