package clip

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// sway is how far a camera's picture has moved at a time in seconds, px, and
// how much it has grown.
type sway func(s float64) (x, y, zoom float64)

// shakes of a hand are sums of sines of 2 to 8 Hz: the hand's own tremor lies at
// 8 to 12 Hz with small amplitude, arm and body sway below (Stiles 1976, J
// Neurophysiol 39(5), from memory).
func shake(rms float64) sway {
	a := rms * math.Sqrt2 / math.Sqrt(3)
	return func(s float64) (x, y, zoom float64) {
		for k, hz := range []float64{2.1, 4.7, 7.9} {
			x += a * math.Sin(2*math.Pi*hz*s+float64(k))
			y += a * math.Sin(2*math.Pi*(hz+.4)*s+2+float64(k))
		}
		return x, y, 1
	}
}

func pan(pxPerS float64) sway {
	return func(s float64) (x, y, zoom float64) { return pxPerS * (s - .6), 4 * math.Sin(9*s), 1 }
}

// bump is a kicked tripod: a step, and a ring of 10 Hz that dies in 0.2 s.
func bump(s float64) (x, y, zoom float64) {
	if s < .5 {
		return 0, 0, 1
	}
	t := s - .5
	ring := math.Exp(-t/.2) * math.Cos(2*math.Pi*10*t)
	return 25 - 25*ring, 15 - 15*ring, 1
}

func breathing(s float64) (x, y, zoom float64) { return 0, 0, 1 + .05*math.Sin(2*math.Pi*.8*s) }

// harsh draws a gray picture as a camera that also sways would have taken it,
// each row rollS later than the one above it times its share of the height.
type harsh struct {
	sway  sway
	rollS float64
}

const cropX, cropY, cropW, cropH = 200, 70, 880, 580

// at takes px of the swaying picture to px of the clip's, in a row taken at s.
func (h harsh) at(s float64) warp {
	x, y, zoom := h.sway(s)
	// zoom about the middle of the crop
	return warp{1 / zoom, 0, cropX + x + cropW/2*(1-1/zoom), 0, 1 / zoom, cropY + y + cropH/2*(1-1/zoom), 0, 0, 1}
}

func (h harsh) row(s float64, y int) warp { return h.at(s + h.rollS*float64(y)/cropH) }

func (h harsh) draw(in gocv.Mat, s float64) (gocv.Mat, error) {
	b, err := in.DataPtrUint8()
	if err != nil {
		return gocv.Mat{}, err
	}
	w, hh := in.Cols(), in.Rows()
	out := make([]byte, cropW*cropH)
	for y := range cropH {
		m := h.row(s, y)
		p := m.apply([2]float64{0, float64(y)}) // zoom and shift alone
		for x := range cropW {
			p[0] = m[0]*float64(x) + m[2]
			px, py := min(max(p[0], 0), float64(w)-1.001), min(max(p[1], 0), float64(hh)-1.001)
			i, j := int(px), int(py)
			u, v := px-float64(i), py-float64(j)
			k := j*w + i
			out[y*cropW+x] = byte(.5 + (1-v)*((1-u)*float64(b[k])+u*float64(b[k+1])) + v*((1-u)*float64(b[k+w])+u*float64(b[k+w+1])))
		}
	}
	return gocv.NewMatFromBytes(cropH, cropW, gocv.MatTypeCV8UC1, out)
}

// Rendered clips taken by cameras that move harshly: what is recovered near the
// hitter against what was done to the pictures. Bounds are px at the 95th
// percentile: half an inch (2 px here) where the picture moves as one; one part
// in twelve of the shake where rows are read while it turns; a hundredth of
// the way where the whole background passes by.
func TestStabiliserUnderHarshMotion(t *testing.T) {
	for _, c := range []struct {
		clip, name string
		harsh
		boundPx float64
	}{
		{"s77001_00", "shake 25 px", harsh{shake(25), 0}, 2},
		{"s77001_00", "shake 10 px, rows 20 ms late", harsh{shake(10), .02}, 3},
		{"s77001_00", "pan 400 px/s", harsh{pan(400), 0}, 4},
		{"s77001_06", "shake 25 px", harsh{shake(25), 0}, 2},
		{"s77001_06", "shake 10 px, rows 20 ms late", harsh{shake(10), .02}, 3},
		{"s77001_06", "bump", harsh{bump, 0}, 2},
		{"s77001_06", "zoom 5 %", harsh{breathing, 0}, 2},
	} {
		f := follow(t, c.clip, c.harsh)
		t.Logf("%-10s %-30s error median %.2f, 95 %% %.2f px; sigma %.2f; within %.2f; lost %.2f",
			c.clip, c.name, f.median, f.most, f.sigma, f.within, f.lost)
		if f.most > c.boundPx || f.within < .9 || f.lost > .05 {
			t.Errorf("%s, %s: 95 %% of errors below %.2f px, want %.0f; %.2f within their bars, want .9; %.2f lost", c.clip, c.name, f.most, c.boundPx, f.within, f.lost)
		}
	}
}

// followed is how well a camera was followed: errors in px, shares of pictures.
type followed struct{ median, most, sigma, within, lost float64 }

func follow(t *testing.T, name string, h harsh) (f followed) {
	path, _, tr, box := fullOf(t, name)
	r := open(t, probe(t, path), path)
	c := r.Clip()
	ms0 := c.Times[0].Ms
	b := vision.Box{X0: box.X0 - cropX, Y0: box.Y0 - cropY, X1: box.X1 - cropX, Y1: box.Y1 - cropY}
	s := NewStabiliser(b)
	defer s.Close()
	x, y := (b.X0+b.X1)/2, (b.Y0+b.Y1)/2
	var errs, sigmas []float64
	lost, within := 0, 0
	var first warp
	for {
		fr, err := r.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if fr.Index%2 == 1 {
			continue // half the pictures will do: motion between them is the harsher
		}
		sec := (c.Times[fr.Index].Ms - ms0) / 1000
		pic, err := h.draw(r.Gray(), sec)
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.Next(pic)
		pic.Close()
		if err != nil {
			t.Fatal(err)
		}
		if fr.Index == 0 {
			first = h.row(sec, int(y)).inverse()
		}
		// where the hitter's middle, standing still, is seen now
		sh := tr.Frames[fr.Index].Shift
		m := warp{sh.A, sh.B, sh.TX, sh.C, sh.D, sh.TY, 0, 0, 1}
		seen := h.row(sec, int(y)).inverse().after(m.inverse()).after(first.inverse()).apply([2]float64{x, y})
		u, v := got.Apply(seen[0], seen[1])
		e := math.Hypot(u-x, v-y)
		if got.Reason != "" {
			lost++
		} else {
			errs, sigmas = append(errs, e), append(sigmas, got.SigmaPx)
		}
		if e < 2.45*got.SigmaPx {
			within++
		}
	}
	n, all := len(errs), float64(len(errs)+lost)
	if n == 0 {
		t.Fatalf("%s: lost throughout", name)
	}
	slices.Sort(errs)
	slices.Sort(sigmas)
	return followed{errs[n/2], errs[n*95/100], sigmas[n/2], float64(within) / all, float64(lost) / all}
}
