package phases

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"nightcage/vision"
)

// Examples of the onset detector of Duarte and Watanabe, Notes on Scientific
// Computing for Biomechanics and Motor Control (BMC, function detect_onset,
// CC BY 4.0): runs at or above the threshold, not-a-number below any.
func TestRunsBMCExamples(t *testing.T) {
	x := []float64{0, 0, 2, 0, math.NaN(), 0, 2, 3, 3, 0, 1, 1, 0}
	if got, want := runs(x, 1, 1, 0), [][2]int{{2, 2}, {6, 8}, {10, 11}}; !slices.Equal(got, want) {
		t.Errorf("runs %v, want %v", got, want)
	}
	if got, want := runs(x, 1, 2, 0), [][2]int{{6, 8}, {10, 11}}; !slices.Equal(got, want) {
		t.Errorf("runs of two and more %v, want %v", got, want)
	}
	if got, want := runs(x, 1, 1, 1), [][2]int{{2, 2}, {6, 11}}; !slices.Equal(got, want) {
		t.Errorf("runs with gaps of one %v, want %v", got, want)
	}
}

// The same notes' noisy ramp: 0 up to 1 and back over samples 51 to 150 with
// noise of 0.1. Their threshold detector finds the onset at samples 52 to 61
// depending on its tuning. Carried back, the onset must be unbiased and its
// standard error honest.
func TestOnsetOfRampBMC(t *testing.T) {
	const dt = 4.0 // ms a sample
	var errs []float64
	inside := 0
	const runsN = 200
	for seed := range uint64(runsN) {
		rng := rand.New(rand.NewPCG(seed, 51))
		var s series
		for i := range 100 {
			v := 0.0
			if i >= 51 {
				v = float64(i-51) / 50
			}
			s.t, s.x, s.sd = append(s.t, float64(i)*dt), append(s.x, v+0.1*rng.NormFloat64()), append(s.sd, 0.1)
		}
		p, _, ok := leaving.locate(s, 30*dt, 80*dt, 0, 99*dt, dt/4)
		if !ok {
			t.Fatal("not located")
		}
		mean, sd, _ := p.moments()
		e := mean/dt - 51
		errs = append(errs, e)
		if math.Abs(e) <= 1.96*sd/dt {
			inside++
		}
	}
	if b := mean(errs); math.Abs(b) > 2 {
		t.Errorf("onset off by %.1f samples on average, want within 2 (a threshold is 5 to 10 late)", b)
	}
	if c := float64(inside) / runsN; c < 0.88 {
		t.Errorf("95 %% intervals hold the onset in %.0f %% of runs", 100*c)
	}
}

// Winter, Biomechanics and Motor Control of Human Movement (2009), Table A.1:
// walking film at 69.9 Hz (dt .0143 s). Forward speed of the right heel, frames
// 21 to 30, cm/s; the heel's height is least in frame 28, where right heel
// contact is (frame number from memory, the minimum from the table).
func TestHeelContactWinterA1(t *testing.T) {
	vx := []float64{381, 325, 277, 224, 176, 115, 46, 31, 19, 3}
	const dtMs = 14.3
	var s series
	way := 0.0
	for i, v := range vx {
		if i > 0 {
			way += (v + vx[i-1]) / 2 * dtMs / 1000 / 2.54 // inches
		}
		s.t, s.x, s.sd = append(s.t, float64(21+i)*dtMs), append(s.x, -way), append(s.sd, 0.06) // digitising 1.5 mm
	}
	p, _, ok := touching.locate(s, 23*dtMs, 29*dtMs, s.t[0], s.t[len(s.t)-1], dtMs/8)
	if !ok {
		t.Fatal("not located")
	}
	mean, sd, _ := p.moments()
	if f := mean / dtMs; math.Abs(f-28) > 1 {
		t.Errorf("heel contact at frame %.2f +- %.2f, want 28 within one frame", f, sd/dtMs)
	}
}

// Rounding an event to a frame leaves dt/sqrt12: 4.81, 2.41 and 1.20 ms at 60,
// 120 and 240 frames per second (JCGM 100:2008, 4.3.7: a rectangular
// distribution).
func TestFrameRounding(t *testing.T) {
	for _, c := range []struct{ fps, want float64 }{{60, 4.81}, {120, 2.41}, {240, 1.20}} {
		if got := frameRounding(1000 / c.fps); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%g fps: %.3f ms, want %.2f", c.fps, got, c.want)
		}
	}
	if got := floorSigma(0.001, 1000/240., 4); math.Abs(got-1.2028/2) > 0.001 {
		t.Errorf("four frames leave %.3f ms, want half of 1.203", got)
	}
}

// welch returns a side view of a swing with the mean timeline of Welch, Banks,
// Cook and Draovitch 1995 (J Orthop Sports Phys Ther 22(5):193-201; times from
// memory): lead foot off 570 ms and down 175 ms before contact, bat fastest 15
// ms before. Contact is at contactMs. Shapes between those times are ours.
func welch(fps, contactMs float64, seed uint64) vision.Track {
	const scale, bat = 6.0, 33.0
	rng := rand.New(rand.NewPCG(seed, 1995))
	jitter := func() float64 { return 1.5 * rng.NormFloat64() }
	n := int((contactMs + 500) * fps / 1000)
	tr := vision.Track{
		Clip:     vision.Clip{Name: "welch", Clock: vision.Clock{Known: true, CaptureFPS: fps}},
		Subject:  vision.Subject{BatIn: bat, HeightIn: 72},
		Window:   [2]int{0, n},
		Hand:     vision.Hand{Bats: vision.SideRight, Confidence: 1},
		Sighting: vision.Sighting{View: vision.ViewOpenSide, SigmaDeg: 3, Confidence: 1},
		Scale:    vision.Scale{PxPerIn: scale, SigmaRel: 0.01},
	}
	turn := -175.0 * math.Pi / 180 // heading, 0 square
	var turns []float64
	step := 0.05
	for ms := 0.0; ms < contactMs+600; ms += step { // integrate the turn rate
		t := ms - contactMs
		w := 33 * math.Exp(-math.Pow((t+15)/42, 2)/2)
		if t > 0 {
			w *= 0.88
		}
		turn += w * step / 1000
		turns = append(turns, turn)
	}
	atContact := turns[int(contactMs/step)]
	for i := range n {
		ms := float64(i) * 1000 / fps
		t := ms - contactMs
		body := make([]vision.Mark, vision.NumLandmarks)
		put := func(l vision.Landmark, x, y float64) {
			body[l] = vision.Mark{X: 640 + scale*x + jitter(), Y: 600 - scale*y + jitter(), SigmaPx: 1.5, Seen: 1, How: vision.HowNetwork}
		}
		up, way, heel := 0.0, 0.0, 0.0
		if t > -570 && t < -175 {
			s := (t + 570) / 395
			up, way = 16*s*(1-s), s
		} else if t >= -175 {
			way = 1
		}
		switch {
		case t > -175 && t < -105:
			heel = 3 * (-105 - t) / 70
		case t > -570 && t <= -175:
			heel = 3
		}
		lead := 12 + 10*way
		put(vision.LeftToe, lead+4, 1+up)
		put(vision.LeftHeel, lead-2, 2+up+heel)
		put(vision.LeftAnkle, lead, 4+up+heel*0.6)
		put(vision.RightToe, -8, 1)
		put(vision.RightHeel, -14, 2)
		put(vision.RightAnkle, -12, 4)
		put(vision.LeftKnee, lead/1.5, 20)
		put(vision.RightKnee, -9, 20)
		load := -2 * math.Exp(-math.Pow((t+500)/150, 2)/2)
		put(vision.LeftHip, 4+load, 36)
		put(vision.RightHip, -4+load, 36)
		put(vision.LeftShoulder, 6, 54)
		put(vision.RightShoulder, -6, 54)
		drive := 22 / (1 + math.Exp(-(t+75)/22))
		kx, ky := -10+load+drive, 46-drive/2
		put(vision.RightElbow, -12+drive, 44)
		put(vision.LeftElbow, -2+drive, 44)
		for _, l := range []vision.Landmark{vision.LeftWrist, vision.RightWrist, vision.LeftHand, vision.RightHand} {
			put(l, kx+1, ky+1)
		}
		h := turns[int(ms/step)] - atContact
		mark := func(x, y float64) vision.Mark {
			return vision.Mark{X: 640 + scale*x + jitter(), Y: 600 - scale*y + jitter(), SigmaPx: 1.5, Seen: 1, How: vision.HowNetwork}
		}
		f := vision.Frame{Index: i, Ms: ms, Body: body, Shift: vision.Affine{A: 1, D: 1, SigmaPx: 0.1}}
		// The swing's plane dips 30 degrees toward the plate.
		f.Knob, f.Tip = mark(kx, ky), mark(kx+bat*math.Sin(h), ky-bat*math.Cos(h)/2)
		tr.Frames = append(tr.Frames, f)
		tr.Clip.Times = append(tr.Clip.Times, vision.FrameTime{PTSMs: ms, Ms: ms})
	}
	return tr
}

func TestWelchTimeline(t *testing.T) {
	for _, fps := range []float64{120, 240} {
		const contact = 1203.7 // between frames
		inside, all := 0, 0
		for seed := range uint64(20) {
			got, err := Find(welch(fps, contact, seed))
			if err != nil {
				t.Fatal(err)
			}
			if got.Kind != KindSwing {
				t.Fatalf("kind %q: %s", got.Kind, got.Why)
			}
			for id, at := range map[EventID]float64{StrideStart: -570, ToeTouch: -175, HeelPlant: -105, Contact: 0} {
				e := eventOf(got, id)
				if !e.Found {
					t.Errorf("%g fps: %s not found: %s", fps, id, e.Reason)
					continue
				}
				d := e.Ms - contact - at
				if math.Abs(d) > 4*e.SigmaMs || math.Abs(d) > 25 {
					t.Errorf("%g fps seed %d: %s off by %.1f ms with standard error %.1f", fps, seed, id, d, e.SigmaMs)
				}
				all++
				if math.Abs(d) <= 1.96*e.SigmaMs {
					inside++
				}
			}
		}
		if c := float64(inside) / float64(all); c < 0.88 {
			t.Errorf("%g fps: 95 %% intervals hold the published times in %.0f %%", fps, 100*c)
		}
	}
}

func eventOf(tl Timeline, id EventID) Event {
	for _, e := range tl.Events {
		if e.ID == id {
			return e
		}
	}
	return Event{}
}
