package worker

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcage/vision"
)

// of makes a job of a clip for any hitter.
func (n *night) of(team, hitter, name, script string) Job {
	n.t.Helper()
	p := filepath.Join(n.clips, name)
	if err := os.WriteFile(p, []byte(script+"\n"+name), 0o600); err != nil {
		n.t.Fatal(err)
	}
	j, err := NewJob(n.t.Context(), p, vision.Subject{Team: team, Hitter: hitter}, testPipeline, time.Now())
	if err != nil {
		n.t.Fatal(err)
	}
	return j
}

func (n *night) forget(h Hitter) (p Proof, err error) {
	n.t.Helper()
	n.withQueue(func(d *Desk) { p, err = d.Forget(n.t.Context(), h) })
	return p, err
}

// find lists the files of the home that hold a text, in name or content.
func (n *night) find(text string) (found []string) {
	n.t.Helper()
	err := filepath.WalkDir(n.Home.Dir(), func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		has := strings.Contains(e.Name(), text)
		if e.Type().IsRegular() {
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			has = has || bytes.Contains(b, []byte(text))
		}
		if has {
			found = append(found, path)
		}
		return nil
	})
	if err != nil {
		n.t.Fatal(err)
	}
	return found
}

func (p Proof) was(store string) int {
	for _, c := range p.Counts {
		if c.Store == store {
			return c.Was
		}
	}
	return -1
}

// TestForget removes one of two hitters after a night with everything in it, and
// proves it in two ways: by its own counts, and by looking for the name and the
// IDs in all bytes of the home.
func TestForget(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"Rook Calder", "../../x", `O"zzie\ <b>'; DROP TABLE jobs`} {
		t.Run(strings.Map(func(r rune) rune {
			if r < 'A' || r > 'z' {
				return '_'
			}
			return r
		}, name), func(t *testing.T) {
			t.Parallel()
			n := newNight(t)
			const team = "Cinder Creek Comets"
			away := filepath.Join(n.clips, "share")
			mine := []Job{
				n.of(team, name, "ok.mp4", "two"),
				n.of(team, name, "bad \u00fc\n'.mp4", "bad"),
				n.of(team, strings.ToUpper(name), "none.mp4", "nothing"),
				n.of(team, name, "retried.mp4", "flaky "+away),
				n.of(team, name, "changed.mp4", "ok"),
			}
			shared := n.of(team, name, "shared.mp4", "ok")
			mine[0].Consent = Consent{ConsentGuardian, time.Now()}
			others := []Job{n.of(team, "Juniper Sable", "hers.mp4", "ok"), n.of(team, "Juniper Sable", "bad.mp4", "bad"),
				n.of(team, "Juniper Sable", "shared.mp4", "ok")}
			n.submit(append(append(append([]Job{}, mine...), shared), others...)...)
			n.drain()
			if err := os.WriteFile(away, nil, 0o600); err != nil {
				t.Fatal(err)
			}
			n.withQueue(func(d *Desk) { // its dead letter and feed entry are replaced
				if err := d.Retry(t.Context(), mine[3].ID); err != nil {
					t.Fatal(err)
				}
			})
			n.drain()
			n.audit(1+1+1+1+1+2, 2, 0)
			waiting := n.of(team, name, "waiting.mp4", "ok")
			hers := n.of(team, "Juniper Sable", "waiting too.mp4", "ok")
			n.submit(waiting, hers)
			mine = append(mine, shared, waiting)
			if err := os.WriteFile(mine[4].Clip, []byte("another film"), 0o600); err != nil {
				t.Fatal(err)
			}

			p, err := n.forget(Hitter{Name: strings.ToLower(name)})
			if err != nil || !p.Clean() || p.Jobs != len(mine) {
				t.Fatalf("%v %+v", err, p)
			}
			for store, want := range map[string]int{StoreClips: 5, StoreRecords: 6, StoreJobs: 7, StoreConsent: 1,
				StoreQueue: 1, StoreDead: 1, StoreFeed: 7} {
				if got := p.was(store); got != want {
					t.Errorf("%s: was %d, want %d", store, got, want)
				}
			}
			if p.was(StoreTraces) == 0 || p.was(StoreHistory) < 7 || p.was(StoreFiles) < 6 {
				t.Errorf("%+v", p.Counts)
			}
			if len(p.Left) != 1 || !strings.Contains(p.Left[0], "shared.mp4") {
				t.Errorf("left: %q", p.Left)
			}
			for _, j := range mine {
				if in := n.find(j.ID); in != nil {
					t.Errorf("the ID of %q is in %v", j.Clip, in)
				}
				_, err := os.Stat(j.Clip)
				if stays := j.Clip == shared.Clip || j.Clip == mine[4].Clip; stays != (err == nil) {
					t.Errorf("%s: %v", j.Clip, err)
				}
			}
			if name == "Rook Calder" {
				for _, s := range []string{name, strings.ToUpper(name), strings.ToLower(name)} {
					if in := n.find(s); in != nil {
						t.Errorf("%q is in %v", s, in)
					}
				}
			}
			n.audit(2, 1, 1) // Juniper's are all there
			n.drain()
			n.audit(3, 1, 0)
			if _, err := n.forget(Hitter{Name: name}); !errors.Is(err, ErrUnknownHitter) {
				t.Errorf("a second time: %v", err)
			}
		})
	}
}

// gate is an Analyzer that says when it began and ends, deaf to its context,
// when it is told.
type gate struct{ began, end chan struct{} }

func (g gate) Analyze(_ context.Context, j Job, _ func(done, total int)) (Result, error) {
	g.began <- struct{}{}
	<-g.end
	return script{}.Analyze(context.Background(), j, func(int, int) {})
}

// TestForgetWhileMeasuring: an analysis in flight stores nothing, whether it is
// cut off or ends the moment after. A clip that is handed in again is welcome.
func TestForgetWhileMeasuring(t *testing.T) {
	t.Parallel()
	for _, c := range []string{"cut off", "ends after", "fails after"} {
		t.Run(c, func(t *testing.T) {
			t.Parallel()
			n := newNight(t)
			verb := map[string]string{"cut off": "slow 1h", "ends after": "ok", "fails after": "bad"}[c]
			j := n.of("Cinder Creek Comets", "Rook Calder", "a.mp4", verb)
			g := gate{make(chan struct{}, 1), make(chan struct{})}
			if c != "cut off" {
				n.Analyzer = g
			}
			n.submit(j)
			stop, cancel := context.WithCancel(t.Context())
			defer cancel()
			done := make(chan error)
			go func() { done <- n.Serve(stop, stop, QueueOptions{Listen: true, Log: n.Log}) }()
			n.waitFor(j, StateRunning)
			if c != "cut off" {
				<-g.began
				g2 := make(chan struct{})
				go func() { // ends between the mark and the proof, or after it
					for {
						if _, gone, _ := n.Records.forgottenAt(j.ID); gone {
							close(g2)
							return
						}
						time.Sleep(time.Millisecond)
					}
				}()
				go func() { <-g2; close(g.end) }()
			}
			p, err := n.forget(Hitter{Name: "Rook Calder", Team: "Cinder Creek Comets"})
			if err != nil || !p.Clean() || p.Jobs != 1 {
				t.Fatalf("%v %+v", err, p)
			}
			time.Sleep(1500 * time.Millisecond) // longer than a worker takes to look
			if in := append(n.find(j.ID), n.find("Rook Calder")...); in != nil {
				t.Errorf("named in %v", in)
			}
			cancel()
			if err := <-done; err != nil {
				t.Fatal(err)
			}
			n.audit(0, 0, 0)
			if es, err := os.ReadDir(n.Home.scratchDir()); err != nil || len(es) > 0 {
				t.Errorf("scratch: %v %v", es, err)
			}
			// On its way when it was forgotten: refused. Handed in again: measured.
			n.Analyzer = script{}
			n.withQueue(func(d *Desk) {
				if _, err := d.Submit(t.Context(), j); !errors.Is(err, ErrForgotten) {
					t.Errorf("submitted before it was forgotten: %v", err)
				}
			})
			again := n.of("Cinder Creek Comets", "Rook Calder", "a.mp4", "ok")
			n.submit(again)
			n.drain()
			n.audit(1, 0, 0)
		})
	}
}

// TestForgetNeedsATeam: two hitters of one name are not mixed up.
func TestForgetNeedsATeam(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	a, b := n.of("Cinder Creek Comets", "Rook Calder", "a.mp4", "ok"), n.of("Gravel Road Herons", "Rook Calder", "b.mp4", "ok")
	n.submit(a, b)
	if _, err := n.forget(Hitter{Name: "Rook Calder"}); !errors.Is(err, ErrTwoTeams) || !strings.Contains(err.Error(), "Gravel Road Herons") {
		t.Fatal(err)
	}
	if p, err := n.forget(Hitter{Name: "Rook Calder", Team: "Gravel Road Herons"}); err != nil || p.Jobs != 1 {
		t.Fatal(err, p)
	}
	n.drain()
	n.audit(1, 0, 0)
	if s := n.state(a); s != StateMeasured {
		t.Error(s)
	}
}

// TestKept: the counts before anything is removed are those of a proof that is not
// clean, and nothing is removed by counting.
func TestKept(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.submit(n.of("Cinder Creek Comets", "Rook Calder", "a.mp4", "ok"))
	n.withQueue(func(d *Desk) {
		p, err := d.Kept(t.Context(), Hitter{Name: "Rook Calder"})
		if err != nil || p.Clean() {
			t.Fatalf("%v %+v", err, p)
		}
		for _, s := range []string{StoreClips, StoreJobs, StoreHistory, StoreQueue, StoreTraces} {
			if p.was(s) == 0 {
				t.Errorf("%s not counted", s)
			}
		}
	})
	n.drain()
	n.audit(1, 0, 0)
}

// TestFileHoldsID: IDs are found at any place of a file, beside other hex digits
// and across the reader's blocks.
func TestFileHoldsID(t *testing.T) {
	const id = "00112233445566778899aabbccddeeff"
	path := filepath.Join(t.TempDir(), "f")
	for _, c := range []struct {
		text string
		want bool
	}{
		{id, true},
		{"x" + id + "y", true},
		{"ff" + id + "ff", true},
		{strings.Repeat("x", 1<<20-7) + id, true},
		{strings.Repeat("0", 1<<16-3) + id, true},
		{id[:31], false},
		{id[:16] + " " + id[16:], false},
		{strings.ToUpper(id), false},
		{"", false},
	} {
		if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if got, err := fileHoldsID(path, map[string]bool{id: true}); err != nil || got != c.want {
			t.Errorf("%.40q: %v, %v", c.text, got, err)
		}
	}
	if got, err := fileHoldsID(fmt.Sprint(path, "-none"), map[string]bool{id: true}); got || err != nil {
		t.Errorf("no file: %v, %v", got, err)
	}
}

// TestForgetWhileRemaking: a record that is being made of another when its hitter
// is forgotten goes too.
func TestForgetWhileRemaking(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.of("Cinder Creek Comets", "Rook Calder", "a.mp4", "ok")
	n.submit(j)
	n.drain()
	n.withQueue(func(d *Desk) {
		m := remaker("test-2", testPipeline)
		inside, marked := make(chan struct{}), make(chan struct{})
		made := make(chan error)
		measure := m.Measure
		m.Measure = func(ctx context.Context, track, timeline json.RawMessage) (json.RawMessage, error) {
			close(inside)
			<-marked
			return measure(ctx, track, timeline)
		}
		go func() {
			_, err := d.Remake(t.Context(), m, j.ID)
			made <- err
		}()
		<-inside
		p, err := d.Forget(t.Context(), Hitter{Name: "Rook Calder"})
		if err != nil || !p.Clean() {
			t.Fatalf("%v %+v", err, p)
		}
		close(marked)
		if err := <-made; !errors.Is(err, ErrForgotten) {
			t.Errorf("remade all the same: %v", err)
		}
		if _, err := d.Kept(t.Context(), Hitter{Name: "Rook Calder"}); !errors.Is(err, ErrUnknownHitter) {
			t.Error(err)
		}
	})
}

// TestForgetBesideOthers: emptying the queue's stream under a worker that is
// measuring another hitter's clip loses nothing of that hitter and stores nothing
// twice. What others keep under a job's name goes too.
func TestForgetBesideOthers(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.Grace = 20 * time.Second
	g := gate{make(chan struct{}, 1), make(chan struct{})}
	const team = "Cinder Creek Comets"
	gone := n.of(team, "Rook Calder", "a.mp4", "ok")
	n.submit(gone)
	n.drain()
	n.Drain = false
	n.Analyzer = g
	hers, next := n.of(team, "Juniper Sable", "b.mp4", "ok"), n.of(team, "Juniper Sable", "c.mp4", "ok")
	n.submit(hers, next)
	corrected := filepath.Join(n.Home.Dir(), "corrections", gone.ID, "1")
	if err := os.MkdirAll(corrected, 0o700); err != nil {
		t.Fatal(err)
	}
	stop, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := make(chan error)
	go func() { done <- n.Serve(stop, t.Context(), QueueOptions{Listen: true, Log: n.Log}) }()
	<-g.began
	p, err := n.forget(Hitter{Name: "Rook Calder"})
	if err != nil || !p.Clean() || p.was(StoreScratch) != 1 {
		t.Fatalf("%v %+v", err, p)
	}
	if _, err := os.Stat(corrected); err == nil {
		t.Error("a correction is there")
	}
	close(g.end)
	n.waitFor(hers, StateMeasured)
	n.waitFor(next, StateMeasured)
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	n.Analyzer = script{}
	n.drain()
	n.audit(2, 0, 0)
}

// A clip that two hitters' jobs share, each at its own place, stays in the depot
// when one of them is forgotten.
func TestForgetLeavesSharedDeposit(t *testing.T) {
	t.Parallel()
	dep, _ := newFolder(t)
	n := newNight(t)
	n.Depot = dep
	var jobs []Job
	for _, hitter := range []string{"Rook Calder", "Juniper Sable"} {
		p := filepath.Join(n.clips, hitter+".mp4")
		if err := os.WriteFile(p, []byte("ok\nthe same"), 0o600); err != nil {
			t.Fatal(err)
		}
		j, err := NewJob(t.Context(), p, vision.Subject{Team: "Cinder Creek Comets", Hitter: hitter}, testPipeline, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		jobs = append(jobs, j)
	}
	n.withQueue(func(d *Desk) {
		d.Depot = dep
		for _, j := range jobs {
			if _, err := d.Submit(t.Context(), j); err != nil {
				t.Fatal(err)
			}
		}
		for i, left := range []int{1, 0} {
			p, err := d.Forget(t.Context(), Hitter{Name: jobs[i].Subject.Hitter})
			if err != nil || !p.Clean() {
				t.Fatalf("%v %+v", err, p)
			}
			if keys, err := dep.List(t.Context(), ""); err != nil || len(keys) != left {
				t.Errorf("without %s: %v, %v", jobs[i].Subject.Hitter, keys, err)
			}
		}
	})
}

// TestForgetInADamagedQueue: a message whose bytes have rotted keeps nobody from
// being forgotten, and costs the others nothing.
func TestForgetInADamagedQueue(t *testing.T) {
	t.Parallel()
	for _, at := range []float64{0.02, 0.3, 0.6, 0.95} {
		for _, clean := range []bool{true, false} {
			t.Run(fmt.Sprintf("at=%v/clean=%v", at, clean), func(t *testing.T) {
				n := newNight(t)
				for i := range 5 {
					n.submit(n.of("Cinder Creek Comets", "Rook Calder", fmt.Sprintf("r%d.mp4", i), "ok"),
						n.of("Cinder Creek Comets", "Juniper Sable", fmt.Sprintf("j%d.mp4", i), "ok"))
				}
				msgs := filepath.Join(n.Home.queueDir(), "jetstream/*/streams", jobsStream, "msgs")
				blocks, err := filepath.Glob(filepath.Join(msgs, "*.blk"))
				if err != nil || len(blocks) == 0 {
					t.Fatalf("no blocks: %v", err)
				}
				for _, name := range blocks {
					b, err := os.ReadFile(name)
					if err != nil {
						t.Fatal(err)
					}
					if len(b) == 0 {
						continue
					}
					b[int(at*float64(len(b)))] ^= 4
					if err := os.WriteFile(name, b, 0o600); err != nil {
						t.Fatal(err)
					}
				}
				if !clean {
					idx, err := filepath.Glob(filepath.Join(msgs, "index.db"))
					if err != nil || len(idx) != 1 || os.Remove(idx[0]) != nil {
						t.Fatalf("index %v, %v", idx, err)
					}
				}
				p, err := n.forget(Hitter{Name: "Rook Calder"})
				if err != nil || !p.Clean() || p.Jobs != 5 {
					t.Fatalf("%v %+v", err, p)
				}
				if in := n.find("Rook Calder"); in != nil {
					t.Errorf("named in %v", in)
				}
				n.drain()
				n.audit(5, 0, 0)
			})
		}
	}
}
