package pose

import (
	"math"
	"testing"

	"nightcage/vision"
)

// figure is a stick person, in torsos from the middle of the hips, y down.
type figure map[vision.Landmark][2]float64

func stand(hands [2]float64, apart float64) figure {
	return figure{
		vision.LeftShoulder: {-0.35, -1}, vision.RightShoulder: {0.35, -1},
		vision.LeftHip: {-0.2, 0}, vision.RightHip: {0.2, 0},
		vision.LeftAnkle: {-0.5, 1.6}, vision.RightAnkle: {0.5, 1.6},
		vision.LeftHand: {hands[0] - apart/2, hands[1]}, vision.RightHand: {hands[0] + apart/2, hands[1]},
	}
}

func crouch(hands [2]float64, apart float64) figure {
	f := stand(hands, apart)
	f[vision.LeftAnkle], f[vision.RightAnkle] = [2]float64{-0.4, 0.45}, [2]float64{0.4, 0.45}
	return f
}

func (f figure) at(x, y, torso float64) Person {
	body := make([]vision.Mark, vision.NumLandmarks)
	for l, p := range f {
		body[l] = vision.Mark{X: x + p[0]*torso, Y: y + p[1]*torso, SigmaPx: 1, How: vision.HowNetwork}
	}
	return Person{ROI: ROI{X: x, Y: y, Side: 4.5 * torso}, Score: 1, Look: Look{Found: true, ROI: ROI{X: x, Y: y, Side: 4.5 * torso}, Body: body}}
}

// swing is where a hitter's hands are over six pictures.
var swing = [6][2]float64{{0.6, -0.9}, {0.7, -0.9}, {0.8, -0.85}, {0.1, -0.2}, {-1.0, -0.5}, {-0.5, -1.2}}

func TestHitterAmongOthers(t *testing.T) {
	for _, c := range []struct {
		name   string
		hitter float64 // torso, px
		others func(i int) []Person
	}{
		{"alone", 100, func(int) []Person { return nil }},
		{"crouching catcher and taller umpire with hands on knees", 90, func(i int) []Person {
			return []Person{
				crouch([2]float64{0.2, -0.3}, 0.9).at(900, 520, 90),
				stand([2]float64{0, 0.6}, 1.0).at(1000, 480, 120),
			}
		}},
		{"pitcher near the camera, who parts the hands to throw", 60, func(i int) []Person {
			apart := 0.2
			if i >= 2 {
				apart = 1.8
			}
			return []Person{stand([2]float64{0.1 * float64(i), -0.7}, apart).at(300, 400, 130)}
		}},
		{"on-deck hitter who holds a bat still, as tall", 100, func(i int) []Person {
			return []Person{stand([2]float64{0.3, -0.4}, 0.25).at(1150, 400, 100)}
		}},
		{"runner and fielder with hanging arms", 80, func(i int) []Person {
			return []Person{stand([2]float64{0, 0.1}, 1.1).at(100+20*float64(i), 420, 95), stand([2]float64{0, 0}, 0.9).at(1200, 300, 40)}
		}},
	} {
		var seen []Sighting
		for i, hands := range swing {
			others := c.others(i)
			me := stand(hands, 0.3).at(600+3*float64(i), 400, c.hitter)
			seen = append(seen, Sighting{Ms: 40 * float64(i), People: append(others, me)})
		}
		got, ok := Hitter(seen)
		if !ok || !got.Sure() || got.ROI.X != 600 || got.Picture != 0 {
			t.Errorf("%s: picked the person at %.0f of picture %d (found: %v)", c.name, got.ROI.X, got.Picture, ok)
		}
	}
}

func TestHitterHiddenInSomePictures(t *testing.T) {
	umpire := stand([2]float64{0, 0.6}, 1.0).at(900, 480, 120)
	var seen []Sighting
	for i, hands := range swing {
		s := Sighting{Ms: 40 * float64(i), People: []Person{umpire}}
		if i != 0 && i != 3 {
			s.People = append(s.People, stand(hands, 0.3).at(600, 400, 90))
		}
		seen = append(seen, s)
	}
	if got, ok := Hitter(seen); !ok || got.ROI.X != 600 || got.Picture != 1 {
		t.Errorf("picked the person at %.0f of picture %d (found: %v)", got.ROI.X, got.Picture, ok)
	}
}

func TestHitterNobody(t *testing.T) {
	if _, ok := Hitter(nil); ok {
		t.Error("a hitter in no pictures")
	}
	if _, ok := Hitter([]Sighting{{Ms: 0}, {Ms: 40}}); ok {
		t.Error("a hitter in empty pictures")
	}
}

// Where the hitter is not among those seen, catcher and umpire must not pass for
// one; somebody alone may, whatever the network makes of the hands.
func TestHitterUnsureOfOthers(t *testing.T) {
	catcher := crouch([2]float64{0.2, -0.3}, 0.9).at(900, 520, 90)
	umpire := stand([2]float64{0, 0.6}, 1.0).at(1000, 480, 120)
	if got, ok := Hitter([]Sighting{{People: []Person{catcher, umpire}}, {Ms: 40, People: []Person{umpire}}}); !ok || got.Sure() {
		t.Errorf("the person at %.0f may be followed, who holds %.2f", got.ROI.X, got.Holds)
	}
	if got, ok := Hitter([]Sighting{{People: []Person{umpire}}, {Ms: 40, People: []Person{umpire}}}); !ok || !got.Sure() {
		t.Error("somebody alone in view may not be followed")
	}
}

// The height is the middle one of those that the looks imply, 4.5 torsos over 1.27:
// a square that is wrong once does not move it.
func TestHitterHeight(t *testing.T) {
	var seen []Sighting
	for i, torso := range []float64{100, 101, 130, 99, 102} {
		seen = append(seen, Sighting{Ms: 40 * float64(i), People: []Person{stand(swing[i], 0.3).at(600, 400, torso)}})
	}
	if got, ok := Hitter(seen); !ok || math.Abs(got.HeightPx-4.5*101/1.27) > 1e-9 {
		t.Errorf("%.2f px tall (found: %v), want %.2f", got.HeightPx, ok, 4.5*101/1.27)
	}
}
