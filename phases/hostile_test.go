package phases

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// wellFormed checks what every Timeline promises.
func wellFormed(t *testing.T, name string, track vision.Track, tl Timeline) {
	t.Helper()
	if len(tl.Events) != len(Events()) {
		t.Fatalf("%s: %d events, want %d", name, len(tl.Events), len(Events()))
	}
	for i, id := range Events() {
		e := tl.Events[i]
		switch {
		case e.ID != id:
			t.Errorf("%s: event %d is %s, want %s", name, i, e.ID, id)
		case e.Found == (e.Reason != ""):
			t.Errorf("%s: %s found %v with reason %q", name, id, e.Found, e.Reason)
		case e.Found && (len(e.Evidence) == 0 || !(e.SigmaFrames > 0) || math.IsInf(e.SigmaFrames, 0) || math.IsNaN(e.Ms+e.Frame) || e.Confidence <= 0 || e.Confidence > 1):
			t.Errorf("%s: %s is %+v", name, id, e)
		case e.Found && tl.Timed != (e.SigmaMs > 0):
			t.Errorf("%s: %s has sigma %g ms, timed %v", name, id, e.SigmaMs, tl.Timed)
		}
		if n := len(track.Frames); e.Found && n > 0 {
			lo, hi := float64(track.Frames[0].Index), float64(track.Frames[n-1].Index)
			if e.Frame < lo-60 || e.Frame > hi+60 {
				t.Errorf("%s: %s at frame %g of %g..%g", name, id, e.Frame, lo, hi)
			}
		}
	}
	for _, pair := range [][2]EventID{{StrideStart, ToeTouch}, {ToeTouch, HeelPlant}, {LoadStart, ForwardMove}, {ForwardMove, BatParallel}, {BatParallel, Contact}, {Contact, FullExtension}, {FullExtension, Finish}} {
		a, b := eventOf(tl, pair[0]), eventOf(tl, pair[1])
		if a.Found && b.Found && a.Frame > b.Frame+1e-9 {
			t.Errorf("%s: %s at frame %g follows %s at %g", name, pair[0], a.Frame, pair[1], b.Frame)
		}
	}
	for _, p := range tl.Phases {
		if p.ToMs < p.FromMs || !eventOf(tl, p.From).Found || !eventOf(tl, p.To).Found {
			t.Errorf("%s: phase %+v", name, p)
		}
	}
	if swing := tl.Kind == KindSwing; swing != slices.Contains(Results(), tl.Result) || swing != (tl.ResultWhy != "") {
		t.Errorf("%s: kind %q with result %q (%s)", name, tl.Kind, tl.Result, tl.ResultWhy)
	}
	if tl.Why == "" {
		t.Errorf("%s: kind %q without a reason", name, tl.Kind)
	}
	if _, err := json.Marshal(tl); err != nil {
		t.Errorf("%s: %v", name, err)
	}
}

// damage spoils a track in one of many ways.
func damage(tr *vision.Track, rng *rand.Rand) string {
	n := len(tr.Frames)
	a := rng.IntN(n)
	b := a + 1 + rng.IntN(n-a)
	switch rng.IntN(15) {
	case 0:
		for i := a; i < b; i++ {
			tr.Frames[i].Body = nil
		}
		return "no body in a stretch"
	case 1:
		for i := a; i < b; i++ {
			tr.Frames[i].Knob, tr.Frames[i].Tip = vision.Mark{}, vision.Mark{}
		}
		return "no bat in a stretch"
	case 2:
		l := rng.IntN(vision.NumLandmarks)
		for i := range tr.Frames {
			if len(tr.Frames[i].Body) > 0 {
				tr.Frames[i].Body[l] = vision.Mark{}
			}
		}
		return "one landmark never found"
	case 3:
		for i := a; i < b; i++ {
			tr.Clip.Times[i].Repeat = true
		}
		return "repeats"
	case 4:
		for i := range tr.Frames {
			tr.Clip.Times[i].Lost = rng.Float64() < 0.3
		}
		return "lost frames"
	case 5:
		tr.Clip.Clock = vision.Clock{}
		return "clock unknown"
	case 6:
		tr.Hand.Bats = vision.SideUnknown
		return "side unknown"
	case 7:
		tr.Sighting = vision.Sighting{View: vision.ViewUnknown}
		return "view unknown"
	case 8:
		tr.Scale = vision.Scale{}
		tr.Subject = vision.Subject{}
		return "scale unknown"
	case 9:
		for i := range tr.Frames {
			tr.Frames[i].Shift = vision.Affine{}
		}
		return "no camera motion"
	case 10:
		tr.Frames = tr.Frames[a:]
		if tr.Solution != nil {
			s := *tr.Solution
			s.Frames = s.Frames[a:]
			tr.Solution = &s
		}
		return "the track starts late"
	case 11:
		tr.Frames = tr.Frames[:b]
		if tr.Solution != nil {
			s := *tr.Solution
			s.Frames = s.Frames[:b]
			tr.Solution = &s
		}
		return "the track ends early"
	case 12:
		for i := range tr.Frames {
			for l := range tr.Frames[i].Body {
				if rng.Float64() < 0.05 {
					tr.Frames[i].Body[l].X = []float64{math.NaN(), 1e9, -1e9, math.Inf(1)}[rng.IntN(4)]
				}
			}
		}
		return "absurd landmarks"
	case 13:
		line := func() *vision.BallLine {
			if rng.IntN(3) == 0 {
				return nil
			}
			return &vision.BallLine{Ms: tr.Frames[a].Ms, AngleDeg: 180*rng.Float64() - 90, Right: rng.IntN(2) == 0,
				SpeedPxS: 9000 * rng.Float64(), AngleSigmaDeg: 5 * rng.Float64(), NearingSigmaPerS: rng.Float64(), Seen: rng.IntN(20)}
		}
		tr.Ball = &vision.BallFlight{Kind: []vision.BallKind{vision.BallNone, vision.BallPitched, vision.BallTee, vision.BallBatted}[rng.IntN(4)],
			End: []vision.BallEnd{vision.BallMet, vision.BallPassed, vision.BallLost}[rng.IntN(3)], In: line(), Out: line()}
		if rng.IntN(2) == 0 {
			tr.Ball.MeetMs, tr.Ball.MeetSigmaMs = tr.Frames[a].Ms, 0.5
		}
		return "any ball"
	default:
		for i := range tr.Frames {
			if rng.Float64() < 0.05 {
				tr.Frames[i].Tip.X, tr.Frames[i].Tip.Y = 1280*rng.Float64(), 720*rng.Float64()
			}
		}
		return "stray tips"
	}
}

func TestDamagedTracks(t *testing.T) {
	files := committed(t)
	const seed = 20261125
	rng := rand.New(rand.NewPCG(seed, 0))
	for k := range 120 {
		f := files[k%len(files)]
		tr, err := truth.Track(f, truth.Options{Seed: uint64(k), NoisePx: 1.2, BatNoisePx: 1.2, No3D: k%2 == 0})
		if err != nil {
			t.Fatal(err)
		}
		name := f.Name
		for range 1 + rng.IntN(3) {
			name += ", " + damage(tr, rng)
		}
		got, err := Find(*tr)
		if err != nil {
			t.Errorf("seed %d %s: %v", seed, name, err)
			continue
		}
		wellFormed(t, name, *tr, got)
	}
}

func TestContradictions(t *testing.T) {
	f := committed(t)[0]
	for _, c := range []struct {
		name string
		do   func(*vision.Track)
	}{
		{"no frames", func(tr *vision.Track) { tr.Frames = nil }},
		{"short body", func(tr *vision.Track) { tr.Frames[3].Body = tr.Frames[3].Body[:5] }},
		{"solution of another length", func(tr *vision.Track) { tr.Solution.Frames = tr.Solution.Frames[1:] }},
		{"time runs back", func(tr *vision.Track) { tr.Frames[7].Ms = tr.Frames[5].Ms }},
		{"index runs back", func(tr *vision.Track) { tr.Frames[7].Index = 2 }},
		{"no time", func(tr *vision.Track) { tr.Frames[7].Ms = math.NaN() }},
	} {
		tr, err := truth.Track(f, truth.Options{})
		if err != nil {
			t.Fatal(err)
		}
		c.do(tr)
		if _, err := Find(*tr); !errors.Is(err, ErrTrack) {
			t.Errorf("%s: error %v, want ErrTrack", c.name, err)
		} else if !strings.Contains(err.Error(), tr.Clip.Name) {
			t.Errorf("%s: %q does not name the clip", c.name, err)
		}
	}
}

// Find must not change the track it was given.
func TestTrackIsLeftAlone(t *testing.T) {
	tr, err := truth.Track(committed(t)[0], truth.Options{Seed: 1, NoisePx: 1, BatNoisePx: 1})
	if err != nil {
		t.Fatal(err)
	}
	before, _ := json.Marshal(tr)
	if _, err := Find(*tr); err != nil {
		t.Fatal(err)
	}
	if after, _ := json.Marshal(tr); string(after) != string(before) {
		t.Error("Find changed its track")
	}
}

// With no clock the events keep their places among the frames, and carry no
// milliseconds of error, however the container spaced them.
func TestUnknownClock(t *testing.T) {
	for _, f := range committed(t) {
		for _, no3d := range []bool{false, true} {
			o := truth.Options{Seed: 2, NoisePx: 1, BatNoisePx: 1, No3D: no3d}
			clocked, err := truth.Track(f, o)
			if err != nil {
				t.Fatal(err)
			}
			want, err := Find(*clocked)
			if err != nil {
				t.Fatal(err)
			}
			slow, _ := truth.Track(f, o)
			slow.Clip.Clock = vision.Clock{Source: vision.ClockUnknown, StoredFPS: 30}
			for i := range slow.Frames {
				slow.Frames[i].Ms = float64(i) * 1000 / 30
				slow.Clip.Times[i] = vision.FrameTime{PTSMs: slow.Frames[i].Ms, Ms: slow.Frames[i].Ms}
			}
			got, err := Find(*slow)
			if err != nil {
				t.Fatal(err)
			}
			wellFormed(t, f.Name, *slow, got)
			if got.Timed || got.Kind != KindSwing {
				t.Errorf("%s no3d=%v: timed %v, kind %q (%s)", f.Name, no3d, got.Timed, got.Kind, got.Why)
			}
			for _, id := range []EventID{ToeTouch, HeelPlant, BatParallel, Contact} {
				a, b := eventOf(want, id), eventOf(got, id)
				if !a.Found {
					continue
				}
				if bar := 3 * math.Hypot(a.SigmaFrames, b.SigmaFrames); !b.Found || math.Abs(a.Frame-b.Frame) > bar {
					t.Errorf("%s no3d=%v: %s at frame %.2f, with the clock at %.2f, bar %.2f (%s)", f.Name, no3d, id, b.Frame, a.Frame, bar, b.Reason)
				}
			}
		}
	}
}

// A clip whose lead foot never leaves the ground has no stride start and says
// why; the heel's landing stands for toe touch.
func TestNoStride(t *testing.T) {
	for _, f := range committed(t) {
		if f.View != vision.ViewOpenSide {
			continue
		}
		tr, err := truth.Track(f, truth.Options{Seed: 4, NoisePx: 1, BatNoisePx: 1, No3D: true})
		if err != nil {
			t.Fatal(err)
		}
		plant := eventMs(t, f, HeelPlant)
		last := len(tr.Frames) - 1
		toe, heel, ankle := tr.Hand.Lead(vision.LeftToe), tr.Hand.Lead(vision.LeftHeel), tr.Hand.Lead(vision.LeftAnkle)
		rng := rand.New(rand.NewPCG(9, 9))
		landed := 0
		for landed < last && tr.Frames[landed].Ms < plant {
			landed++
		}
		for i := range tr.Frames {
			fr := &tr.Frames[i]
			ref := tr.Frames[landed]
			for _, l := range []vision.Landmark{toe, heel, ankle} {
				m := ref.Body[l]
				// The first frame's pixels back to this frame's.
				x, y := steady(&ref, m)
				if l != toe && fr.Ms < plant {
					lift := 3 * tr.Scale.PxPerIn * math.Min(1, (plant-fr.Ms)/80)
					if l == ankle {
						lift *= 0.5
					}
					y -= lift
				}
				fr.Body[l] = vision.Mark{X: x + rng.NormFloat64(), Y: y + rng.NormFloat64(), SigmaPx: 1, Seen: 1, How: vision.HowNetwork}
			}
			fr.Shift = vision.Affine{A: 1, D: 1}
		}
		got, err := Find(*tr)
		if err != nil {
			t.Fatal(err)
		}
		if e := eventOf(got, StrideStart); e.Found || !strings.HasPrefix(e.Reason, "no stride") {
			t.Errorf("%s: stride start %+v", f.Name, e)
		}
		e := eventOf(got, ToeTouch)
		if !e.Found || !strings.Contains(strings.Join(e.Evidence, ";"), "no stride") || math.Abs(e.Ms-plant) > 4*e.SigmaMs {
			t.Errorf("%s: toe touch %+v, heel lands at %.1f", f.Name, e, plant)
		}
	}
}
