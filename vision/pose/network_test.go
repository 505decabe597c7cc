package pose

import (
	"math"
	"testing"

	"nightcage/vision"
)

// logit is the inverse of the sigmoid.
func logit(p float64) float32 { return float32(math.Log(p / (1 - p))) }

// One anchor's raw values, worked by hand: anchor 2*(14*28+7) is the first of
// row 14, column 7 of the 28 grid, centre (7.5/28, 14.5/28).
func TestDecodeOneAnchor(t *testing.T) {
	const anchors = 2254
	boxes, scores := make([]float32, 12*anchors), make([]float32, anchors)
	for i := range scores {
		scores[i] = logit(0.01)
	}
	const a = 2 * (14*28 + 7)
	scores[a] = logit(0.9)
	copy(boxes[12*a:], []float32{11.2, -22.4, 44.8, 22.4, 0, 22.4, 0, -44.8})
	r := ROI{X: 640, Y: 360, Side: 1280}
	found := decode(boxes, scores, r)
	if len(found) != 1 {
		t.Fatalf("%d findings, want 1", len(found))
	}
	f := found[0]
	// 11.2 px of 224 is .05 of the side, 64 px of the picture
	ax, ay := 7.5/28*1280, 360-640+14.5/28*1280
	for _, v := range []struct {
		name      string
		got, want float64
	}{
		{"score", f.score, 0.9},
		{"left", f.x0, ax + 64 - 128}, {"right", f.x1, ax + 64 + 128},
		{"top", f.y0, ay - 128 - 64}, {"bottom", f.y1, ay - 128 + 64},
		{"hips x", f.hipX, ax}, {"hips y", f.hipY, ay + 128},
		{"rim x", f.rimX, ax}, {"rim y", f.rimY, ay - 256},
		{"square's side", f.roi().Side, 2 * 384 * roiMargin}, {"square's turn", f.roi().Turn, 0},
	} {
		if math.Abs(v.got-v.want) > 1e-3 {
			t.Errorf("%s: %.4f, want %.4f", v.name, v.got, v.want)
		}
	}
	// upside down: the rim point below the hips
	boxes[12*a+7] = 90
	if found := decode(boxes, scores, r); len(found) != 0 {
		t.Errorf("an upside-down person was kept: %+v", found)
	}
}

func TestMergeKeepsPeopleApart(t *testing.T) {
	at := func(x, score float64) finding {
		return finding{x0: x, y0: 0, x1: x + 100, y1: 100, hipX: x + 50, hipY: 90, rimX: x + 50, rimY: -40, score: score}
	}
	got := merge([]finding{at(0, 0.6), at(10, 0.9), at(400, 0.7), at(95, 0.55)})
	if len(got) != 3 {
		t.Fatalf("%d people, want 3: %+v", len(got), got)
	}
	// 0 and 10 are one person, weighted 6 to 9
	if math.Abs(got[0].x0-6) > 1e-9 || got[0].score != 0.9 {
		t.Errorf("merged box starts at %.3f with score %.2f, want 6 and 0.90", got[0].x0, got[0].score)
	}
}

func TestAroundHips(t *testing.T) {
	for _, c := range []struct {
		name     string
		dx, dy   float64 // from hips to rim
		wantTurn float64
	}{
		{"upright", 0, -100, 0},
		{"leaning right", 100 * math.Sin(0.3), -100 * math.Cos(0.3), 0.3},
		{"leaning left", -100 * math.Sin(0.3), -100 * math.Cos(0.3), -0.3},
	} {
		r := aroundHips(300, 200, 300+c.dx, 200+c.dy)
		if math.Abs(r.Turn-c.wantTurn) > 1e-9 || math.Abs(r.Side-250) > 1e-9 {
			t.Errorf("%s: turn %.3f side %.1f, want %.3f and 250", c.name, r.Turn, r.Side, c.wantTurn)
		}
		// the rim lies straight up the square, 100 of 250 px from its middle
		x, y := r.toImage(0.5, 0.1)
		if math.Hypot(x-300-c.dx, y-200-c.dy) > 1e-9 {
			t.Errorf("%s: up the square is (%.2f, %.2f)", c.name, x, y)
		}
	}
}

func TestRefine(t *testing.T) {
	bump := func(x, y, peak, width float64) []float32 {
		h := make([]float32, heatCells*heatCells)
		for i := range h {
			dx, dy := float64(i%heatCells)-x, float64(i/heatCells)-y
			h[i] = logit(max(peak*math.Exp(-(dx*dx+dy*dy)/(2*width*width)), 1e-6))
		}
		return h
	}
	// a narrow bump off the regressed point draws it to its own middle
	u, v, peak := refine(bump(30.4, 41.3, 0.9, 0.8), 31.0/heatCells, 41.0/heatCells)
	if math.Abs(u*heatCells-30.4) > 0.02 || math.Abs(v*heatCells-41.3) > 0.02 {
		t.Errorf("refined to cell (%.3f, %.3f), want (30.4, 41.3)", u*heatCells, v*heatCells)
	}
	// the highest cell is (30, 41): .9 exp(-(.4^2 + .3^2) / (2 * .8^2))
	if math.Abs(peak-0.7403) > 1e-3 {
		t.Errorf("peak %.4f, want 0.7403", peak)
	}
	// a faint one does not
	if u, v, _ := refine(bump(30, 41, 0.4, 0.8), 0.5, 0.6); u != 0.5 || v != 0.6 {
		t.Errorf("a faint map moved the point to (%.3f, %.3f)", u, v)
	}
	// outside the crop there is nothing to look at
	if u, v, peak := refine(bump(30, 41, 0.9, 1), 1.2, -0.1); u != 1.2 || v != -0.1 || peak != 0 {
		t.Errorf("a point outside the crop became (%.3f, %.3f), peak %.2f", u, v, peak)
	}
}

func TestErrorShare(t *testing.T) {
	for l := range vision.NumLandmarks {
		m := vision.Landmark(l)
		for _, depth := range []float64{-1, 0, 0.35, 1} {
			before := math.Inf(1)
			for peak := 0.0; peak <= 1; peak += 0.01 {
				s := errorShare(m, peak, depth)
				if s > before+1e-12 || s < 0.005 || s > 0.1 {
					t.Fatalf("%v, depth %.2f, peak %.2f: %.4f after %.4f", m, depth, peak, s, before)
				}
				before = s
			}
		}
	}
	if near, far := errorShare(vision.LeftHip, 0.8, 0), errorShare(vision.LeftHip, 0.8, 0.9); far < 2*near {
		t.Errorf("far hip %.4f, near hip %.4f of standing height", far, near)
	}
}

func TestDepth(t *testing.T) {
	world := make([]vision.Vec3, vision.NumLandmarks)
	world[vision.LeftHip], world[vision.RightHip] = vision.Vec3{X: 0.06, Z: 0.08}, vision.Vec3{X: -0.06, Z: -0.08}
	world[vision.LeftShoulder], world[vision.RightShoulder] = vision.Vec3{X: 0.2}, vision.Vec3{X: -0.2}
	for _, c := range []struct {
		l    vision.Landmark
		want float64
	}{{vision.LeftHip, 0.8}, {vision.RightHip, -0.8}, {vision.LeftToe, 0.8}, {vision.RightKnee, -0.8}, {vision.LeftWrist, 0}, {vision.Nose, 0}, {vision.RightEar, 0}} {
		if got := depth(world, c.l); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v: %.3f, want %.3f", c.l, got, c.want)
		}
	}
}

// Together the tiles must show every place of the picture in some tile with
// room for a small person around it, and none may reach outside.
func TestTilesCover(t *testing.T) {
	for _, size := range [][2]int{{1280, 720}, {720, 1280}, {640, 640}, {1920, 1080}} {
		w, h := size[0], size[1]
		list := tiles(w, h)
		side := float64(min(w, h)) / 2
		for y := 0.0; y <= float64(h); y += 20 {
			for x := 0.0; x <= float64(w); x += 20 {
				// as deep inside a tile as a quarter of it, or the edge, allows
				needX, needY := min(x, float64(w)-x, side/4), min(y, float64(h)-y, side/4)
				covered := false
				for _, r := range list {
					inX, inY := side/2-math.Abs(x-0.5-r.X), side/2-math.Abs(y-0.5-r.Y)
					covered = covered || inX >= needX-1e-9 && inY >= needY-1e-9
				}
				if !covered {
					t.Fatalf("%dx%d: (%.0f, %.0f) lies at the rim of every tile", w, h, x, y)
				}
			}
		}
		for _, r := range list {
			if r.X-side/2 < -0.5-1e-9 || r.X+side/2 > float64(w)-0.5+1e-9 || r.Y-side/2 < -0.5-1e-9 || r.Y+side/2 > float64(h)-0.5+1e-9 {
				t.Errorf("%dx%d: tile at (%.1f, %.1f) reaches outside", w, h, r.X, r.Y)
			}
		}
	}
}
