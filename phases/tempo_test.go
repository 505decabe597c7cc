package phases

import (
	"fmt"
	"math"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// stretched is the track as a file shows it whose times run slower than life.
func stretched(tr vision.Track, slower float64) vision.Track {
	tr.Clip.Times = append([]vision.FrameTime(nil), tr.Clip.Times...)
	for i := range tr.Clip.Times {
		tr.Clip.Times[i].Ms *= slower
	}
	tr.Frames = append([]vision.Frame(nil), tr.Frames...)
	for i := range tr.Frames {
		tr.Frames[i].Ms *= slower
	}
	return tr
}

func readTempo(t *testing.T, tr vision.Track) (Tempo, bool) {
	t.Helper()
	got, ok, err := SwingTempo(tr)
	if err != nil {
		t.Fatal(err)
	}
	if ok && (got.Pace == Human) != (got.Doubt == "") {
		t.Errorf("pace %s, doubt %q", got.Pace, got.Doubt)
	}
	return got, ok
}

func TestTempo(t *testing.T) {
	for _, f := range committed(t) {
		for _, l := range looks {
			t.Run(fmt.Sprintf("%s %s", f.Name, l.name), func(t *testing.T) {
				tr, err := l.make(f, 5)
				if err != nil {
					t.Fatal(err)
				}
				own, ok := readTempo(t, *tr)
				if !ok || own.Pace != Human {
					t.Fatalf("at its own pace: %+v, %v", own, ok)
				}
				for slower, want := range map[float64]Pace{5: TooSlow, 8: TooSlow, 10: TooSlow, 1. / 4: TooFast} {
					got, ok := readTempo(t, stretched(*tr, slower))
					if !ok || got.Pace != want {
						t.Errorf("%v times slower: %+v, %v", slower, got, ok)
					}
					if r := got.Slower / own.Slower / slower; math.Abs(r-1) > 0.05 {
						t.Errorf("%v times slower: read as %.2f times as much", slower, r)
					}
				}
			})
		}
	}
}

// What is no full swing says nothing of the clock, however slow it is: a pitch
// taken, the bat then let down in a second; a check; a bunt.
func TestTempoOfOtherKinds(t *testing.T) {
	for _, f := range committed(t) {
		taken := lowered(f, take(t, f))
		for name, g := range map[string]*truth.File{"take": take(t, f), "bat let down": taken, "check": check(t, f, 60)} {
			tr, err := truth.Track(g, truth.Options{Seed: 3, NoisePx: 1, BatNoisePx: 1})
			if err != nil {
				t.Fatal(err)
			}
			if got, ok := readTempo(t, *tr); ok && got.Pace != Human {
				t.Errorf("%s, %s: %+v", f.Name, name, got)
			}
		}
		if got, ok := readTempo(t, *bunt(t, f, false)); ok && got.Pace != Human {
			t.Errorf("%s, bunt: %+v", f.Name, got)
		}
	}
}

// lowered lets the bat down from the shoulder until it hangs from the hands, in
// the last second of a clip that is made longer by it.
func lowered(f, taken *truth.File) *truth.File {
	g := *taken
	last := g.Frames[len(g.Frames)-1]
	k := last.Knob.XYZ
	axis := vision.Vec3{X: last.Tip.XYZ.X - k.X, Y: last.Tip.XYZ.Y - k.Y, Z: last.Tip.XYZ.Z - k.Z}
	length := math.Sqrt(axis.X*axis.X + axis.Y*axis.Y + axis.Z*axis.Z)
	level, from := math.Hypot(axis.X, axis.Z), math.Asin(axis.Y/length)
	dt := 1000 / f.FPS
	for i := 1; float64(i)*dt < 1300; i++ {
		fr := last
		fr.Ms = last.Ms + float64(i)*dt
		u := math.Min(float64(i)*dt/1000, 1)
		sin, cos := math.Sincos(from + (3*u*u-2*u*u*u)*(-math.Pi/2-from))
		fr.Tip.XYZ = vision.Vec3{X: k.X + length*cos*axis.X/level, Y: k.Y + length*sin, Z: k.Z + length*cos*axis.Z/level}
		fr.Tip.X, fr.Tip.Y, fr.Tip.InFrame = fr.P.Project(fr.Tip.XYZ)
		g.Frames = append(g.Frames, fr)
	}
	return &g
}

// A clip may show the swing in slow motion and the rest at full speed, all with
// one even step of time.
func TestTempoOfRamp(t *testing.T) {
	for _, f := range committed(t) {
		contact := eventMs(t, f, Contact)
		const slower = 8
		from, to := contact-400, contact+150
		stored := *f
		stored.FPS = 30
		g := replay(&stored, from+slower*(to-from)+300, func(ms float64) float64 {
			if ms < from {
				return ms
			}
			return math.Min(from+(ms-from)/slower, to) + math.Max(0, ms-from-slower*(to-from))
		})
		tr, err := truth.Track(g, truth.Options{Seed: 3, NoisePx: 1, BatNoisePx: 1})
		if err != nil {
			t.Fatal(err)
		}
		got, ok := readTempo(t, *tr)
		if !ok || got.Pace != TooSlow {
			t.Errorf("%s: %+v, %v", f.Name, got, ok)
		}
	}
}

// The bat of Welch et al. 1995 turns at 1588 deg/s, which no rule may doubt.
func TestTempoOfWelch(t *testing.T) {
	tr := welch(240, 900, 1)
	if got, ok := readTempo(t, tr); !ok || got.Pace != Human || math.Abs(got.TopDegS/1588-1) > 0.15 {
		t.Errorf("%+v, %v", got, ok)
	}
}

func TestTempoOfUnknownClock(t *testing.T) {
	tr := welch(240, 900, 1)
	tr.Clip.Clock.Known = false
	if got, ok := readTempo(t, tr); ok {
		t.Errorf("%+v", got)
	}
}
