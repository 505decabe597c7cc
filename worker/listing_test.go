package worker

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightcage/vision"
)

func TestList(t *testing.T) {
	ctx := context.Background()
	l, err := OpenLedger(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	noon := time.Date(2026, 11, 27, 12, 0, 0, 0, time.Local)
	for i, hitter := range []string{"Rook Calder", "Juniper Sable", "Ozzie Marlow", "Rook Calder"} {
		l.now = func() time.Time { return noon.Add(time.Duration(i) * time.Hour) }
		j := Job{ID: fmt.Sprintf("%032x", i), Clip: fmt.Sprintf("/clips/night_%d.mp4", i), SubmittedAt: noon.AddDate(0, 0, i),
			Subject: vision.Subject{Hitter: hitter, Team: "Cinder Creek Comets", Level: vision.LevelCollege}}
		if _, _, err := l.Add(ctx, j); err != nil {
			t.Fatal(err)
		}
		if i < 3 {
			if err := l.Measured(ctx, j.ID, 1); err != nil {
				t.Fatal(err)
			}
		}
	}
	measured := []State{StateMeasured}
	for name, c := range map[string]struct {
		ask   Listing
		want  []string // ends of the ids
		total int
	}{
		"newest first":        {Listing{States: measured, Limit: 9}, []string{"2", "1", "0"}, 3},
		"oldest first":        {Listing{States: measured, Limit: 9, Oldest: true}, []string{"0", "1", "2"}, 3},
		"a page":              {Listing{States: measured, Limit: 1, Offset: 1}, []string{"1"}, 3},
		"past the end":        {Listing{States: measured, Limit: 9, Offset: 5}, nil, 3},
		"other states":        {Listing{States: []State{StateSubmitted, StateQueued}, Limit: 9}, []string{"3"}, 1},
		"no state":            {Listing{Limit: 9}, nil, 0},
		"words in any case":   {Listing{States: measured, Find: "CALDER college", Limit: 9}, []string{"0"}, 1},
		"clip":                {Listing{States: measured, Find: "night_1", Limit: 9}, []string{"1"}, 1},
		"day":                 {Listing{States: measured, Find: "2026-11-29", Limit: 9}, []string{"2"}, 1},
		"no wild cards":       {Listing{States: measured, Find: "night%", Limit: 9}, nil, 0},
		"changed since three": {Listing{States: measured, Since: noon.Add(time.Hour), Limit: 9}, []string{"2", "1"}, 2},
	} {
		es, total, err := l.List(ctx, c.ask)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var got []string
		for _, e := range es {
			got = append(got, e.Job.ID[31:])
		}
		if diff := cmp.Diff(c.want, got); diff != "" || total != c.total {
			t.Errorf("%s: total %d, want %d\n%s", name, total, c.total, diff)
		}
	}
}

// Of a hitter's clip that was measured several times the last counts; another
// hitter's, and one that is on its way or failed, stand for themselves.
func TestNewestOfAClip(t *testing.T) {
	ctx := context.Background()
	l, err := OpenLedger(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	noon := time.Date(2026, 11, 27, 12, 0, 0, 0, time.Local)
	for i, c := range []struct{ clip, hitter, end string }{
		{"a", "Rook Calder", "measured"}, {"b", "Rook Calder", "measured"}, {"a", "Ozzie Marlow", "measured"},
		{"a", "Rook Calder", "measured"}, {"b", "Rook Calder", "open"}, {"b", "Rook Calder", "dead"},
	} {
		l.now = func() time.Time { return noon.Add(time.Duration(i) * time.Hour) }
		j := Job{ID: fmt.Sprintf("%032x", i), Clip: "/clips/a.mp4", ClipSHA256: c.clip, SubmittedAt: noon, Subject: vision.Subject{Hitter: c.hitter}}
		_, _, err := l.Add(ctx, j)
		switch {
		case err != nil:
		case c.end == "measured":
			err = l.Measured(ctx, j.ID, 1)
		case c.end == "dead":
			err = l.Dead(ctx, j.ID, KindInternal, "broke")
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	ends := func(es []Entry, err error) (out string) {
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range es {
			out += e.Job.ID[31:]
		}
		return out
	}
	if got := ends(l.Newest(ctx)); got != "123" {
		t.Errorf("newest %s, want 123", got)
	}
	all, n, err := l.List(ctx, Listing{States: States(), Limit: 9, Oldest: true})
	if got := ends(all, err); got != "12345" || n != 5 {
		t.Errorf("listed %s of %d, want 12345 of 5", got, n)
	}
}
