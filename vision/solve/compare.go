package solve

import (
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// Error is one quantity of a solved swing beside its true value. Sigma is the
// standard error that the solution claims, shared errors included; NaN when it
// claims none for the quantity.
type Error struct {
	Quantity string
	Error    float64 // solved - true, in the unit the name ends with
	Sigma    float64
}

// Span is the time around contact over which Compare looks, ms of capture time,
// and what is known of the instant before contact (0: not known).
type Span struct {
	FromMs, ContactMs, ToMs float64
	TipSpeedInS             float64 // inches per second
	AttackDeg               float64 // of the sweet spot
}

// Compare lists the errors of a solved Track against the true Solution of the
// same frames: places of knob, tip and joints along the swing frame's axes over
// the span, the knob-to-tip direction, the tip's speed and the attack angle of
// the sweet spot (6 in from the tip) at the last frame before contact, pelvis
// and shoulder openness and their difference, and the camera.
func Compare(got *vision.Track, want *vision.Solution, span Span) []Error {
	var out []Error
	if got.Solution == nil {
		return nil
	}
	sol, hand := got.Solution, got.Hand
	add := func(name string, err, sigma float64) { out = append(out, Error{name, err, sigma}) }
	add("camera_focal_rel", sol.Camera.FocalPx/want.Camera.FocalPx-1, sol.Camera.FocalSigmaRel)
	add("camera_yaw_deg", math.Remainder(yawOf(sol.Camera)-yawOf(want.Camera), 360), sol.YawSigmaDeg)
	add("camera_tilt_deg", tiltOf(sol.Camera)-tiltOf(want.Camera), sol.Camera.TiltSigmaDeg)
	last := -1
	for i := range sol.Frames {
		ms := got.Frames[i].Ms
		if ms < span.FromMs || ms > span.ToMs || i >= len(want.Frames) {
			continue
		}
		g, w := &sol.Frames[i], &want.Frames[i]
		if ms <= span.ContactMs {
			last = i
		}
		axes := func(name string, p, q vision.Point3) {
			if !p.Valid || !q.Valid {
				return
			}
			s := sharedSigma(sol, p.Vec3, name != "knob" && name != "tip")
			add(name+"_x_in", p.X-q.X, math.Hypot(p.SX, s.X))
			add(name+"_y_in", p.Y-q.Y, math.Hypot(p.SY, s.Y))
			add(name+"_z_in", p.Z-q.Z, math.Hypot(p.SZ, s.Z))
		}
		axes("head", g.Head, w.Head)
		axes("knob", g.Knob, w.Knob)
		axes("tip", g.Tip, w.Tip)
		if g.Knob.Valid && g.Tip.Valid {
			a, b := r3.Unit(sub(g.Tip, g.Knob)), r3.Unit(sub(w.Tip, w.Knob))
			add("bat_direction_deg", math.Acos(max(-1, min(1, r3.Dot(a, b))))*180/math.Pi, math.NaN())
		}
		if len(g.Body) != vision.NumLandmarks || len(w.Body) != vision.NumLandmarks {
			continue
		}
		for l := range g.Body {
			name := vision.Landmark(l).String()
			if k := len("left_"); l > 0 && l%2 == 1 {
				name = name[k:]
			} else if l > 0 {
				name = name[k+1:]
			}
			axes(name, g.Body[l], w.Body[l])
		}
		open := func(left vision.Landmark) (got, want, sigma float64, ok bool) {
			lead, rear := hand.Lead(left), hand.Rear(left)
			p, q := g.Body[lead], g.Body[rear]
			tp, tq := w.Body[lead], w.Body[rear]
			if !p.Valid || !q.Valid || !tp.Valid || !tq.Valid {
				return 0, 0, 0, false
			}
			d := sub(p, q)
			n := d.X*d.X + d.Z*d.Z
			sigma = math.Sqrt(d.Z*d.Z*(p.SX*p.SX+q.SX*q.SX)+d.X*d.X*(p.SZ*p.SZ+q.SZ*q.SZ)) / n * 180 / math.Pi
			if line := g.HipLine; line.Valid && left == vision.LeftHip {
				sigma = line.TurnRad * 180 / math.Pi
			}
			if line := g.ShoulderLine; line.Valid && left == vision.LeftShoulder {
				sigma = line.TurnRad * 180 / math.Pi
			}
			return openness(d), openness(sub(tp, tq)), sigma, true
		}
		hg, hw, hs, ok1 := open(vision.LeftHip)
		sg, sw, ss, ok2 := open(vision.LeftShoulder)
		if ok1 && ok2 {
			add("hips_open_deg", math.Remainder(hg-hw, 360), math.Hypot(hs, sol.YawSigmaDeg))
			add("shoulders_open_deg", math.Remainder(sg-sw, 360), math.Hypot(ss, sol.YawSigmaDeg))
			add("separation_deg", math.Remainder((hg-sg)-(hw-sw), 360), math.Hypot(hs, ss))
		}
	}
	if last >= 1 && span.TipSpeedInS > 0 {
		out = append(out, atContact(got, last, span)...)
	}
	return out
}

// sweetFromTipIn is where on the barrel the attack angle is taken, inches from
// its end.
const sweetFromTipIn = 6

// atContact compares the tip's speed and the sweet spot's attack angle at the
// instant of contact.
func atContact(got *vision.Track, last int, span Span) []Error {
	sol := got.Solution
	f := &sol.Frames[last]
	tv, kv, ok := VelocityAt(got, span.ContactMs)
	if !ok || !f.Tip.Valid || !f.Knob.Valid {
		return nil
	}
	tip, knob := r3.Vec(tv.Vec3), r3.Vec(kv.Vec3)
	share := sweetFromTipIn / r3.Norm(sub(f.Tip, f.Knob))
	sweet := r3.Add(r3.Scale(1-share, tip), r3.Scale(share, knob))
	flat := math.Hypot(sweet.X, sweet.Z)
	speed := r3.Norm(tip)
	n := r3.Unit(tip)
	speedSigma := math.Sqrt(sq(n.X*tv.SX) + sq(n.Y*tv.SY) + sq(n.Z*tv.SZ))
	speedSigma = math.Hypot(speedSigma, speed*max(sol.ScaleSigmaRel, sol.BatScaleSigmaRel))
	attackSigma := math.Hypot(tv.SY/flat*180/math.Pi, sol.TiltSigmaDeg)
	return []Error{
		{"contact_tip_speed_rel", speed/span.TipSpeedInS - 1, speedSigma / span.TipSpeedInS},
		{"contact_attack_deg", math.Atan2(sweet.Y, flat)*180/math.Pi - span.AttackDeg, attackSigma},
	}
}

// openness is the angle seen from above of a rear-to-lead line, positive
// toward the pitcher, degrees.
func openness(d r3.Vec) float64 { return math.Atan2(-d.Z, d.X) * 180 / math.Pi }

func sub(p, q vision.Point3) r3.Vec { return r3.Sub(r3.Vec(p.Vec3), r3.Vec(q.Vec3)) }

// sharedSigma is what scale, yaw, tilt and the depth of body or bat add to a
// place's standard errors. The origin is the centre of the turns; depth acts
// along the ray from the camera.
func sharedSigma(sol *vision.Solution, p vision.Vec3, ofBody bool) vision.Vec3 {
	yaw, roll := sol.YawSigmaDeg*math.Pi/180, sol.TiltSigmaDeg*math.Pi/180
	tilt := sol.Camera.TiltSigmaDeg * math.Pi / 180
	// the axis that the camera looks along, and the one across it
	sin, cos := math.Sincos(math.Atan2(sol.Camera.Centre.X, sol.Camera.Centre.Z))
	across, along := cos*p.X-sin*p.Z, sin*p.X+cos*p.Z
	depth := sol.BatDepthSigmaIn
	if ofBody {
		depth = sol.BodyDepthSigmaIn
	}
	ray := r3.Scale(depth, r3.Unit(r3.Sub(r3.Vec(p), r3.Vec(sol.Camera.Centre))))
	tip, side := sq(tilt*p.Y), sq(roll*p.Y)
	return vision.Vec3{
		X: math.Sqrt(sq(sol.ScaleSigmaRel*p.X) + sq(yaw*p.Z) + side*cos*cos + tip*sin*sin + sq(ray.X)),
		Y: math.Sqrt(sq(sol.ScaleSigmaRel*p.Y) + sq(roll*across) + sq(tilt*along) + sq(ray.Y)),
		Z: math.Sqrt(sq(sol.ScaleSigmaRel*p.Z) + sq(yaw*p.X) + side*sin*sin + tip*cos*cos + sq(ray.Z)),
	}
}

func sq(x float64) float64 { return x * x }

func yawOf(c vision.Camera) float64 { return math.Atan2(c.Centre.X, c.Centre.Z) * 180 / math.Pi }

// tiltOf is how far the optical axis looks down, degrees.
func tiltOf(c vision.Camera) float64 { return -math.Asin(max(-1, min(1, c.R[7]))) * 180 / math.Pi }

// Summary is one quantity over many swings.
type Summary struct {
	Quantity               string
	N                      int
	Median, P95            float64 // of the absolute error
	Bias                   float64 // median of the signed error
	Coverage95             float64 // share within 1.96 claimed sigmas; NaN when none is claimed
	MedianSigma            float64
	ErrorOverSigma95, Rms1 float64 // 95th percentile of |error|/sigma, and its root mean square
}

// Summarise groups errors by quantity.
func Summarise(es []Error) []Summary {
	by := map[string][]Error{}
	for _, e := range es {
		by[e.Quantity] = append(by[e.Quantity], e)
	}
	var out []Summary
	for name, g := range by {
		s := Summary{Quantity: name, N: len(g)}
		var abs, signed, ratio, sig []float64
		in, squares := 0, 0.0
		for _, e := range g {
			abs, signed = append(abs, math.Abs(e.Error)), append(signed, e.Error)
			if !math.IsNaN(e.Sigma) {
				z := math.Abs(e.Error) / e.Sigma
				ratio, sig, squares = append(ratio, z), append(sig, e.Sigma), squares+z*z
				if z <= 1.96 {
					in++
				}
			}
		}
		s.Median, s.Bias = median(abs), median(signed)
		s.P95 = quantile(abs, .95)
		s.Coverage95, s.ErrorOverSigma95, s.Rms1 = float64(in)/float64(len(ratio)), quantile(ratio, .95), math.Sqrt(squares/float64(len(ratio)))
		s.MedianSigma = median(sig)
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b Summary) int {
		if a.Quantity < b.Quantity {
			return -1
		}
		return 1
	})
	return out
}

func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	y := slices.Clone(x)
	slices.Sort(y)
	return y[min(len(y)-1, int(q*float64(len(y))))]
}

// Print writes summaries as a table.
func Print(w io.Writer, ss []Summary) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "quantity\tn\tmedian\tp95\tbias\tsigma\tcover95\trms z\tp95 z\t")
	for _, s := range ss {
		fmt.Fprintf(tw, "%s\t%d\t%.2f\t%.2f\t%.2f\t%.2f\t%.3f\t%.2f\t%.2f\t\n", s.Quantity, s.N, s.Median, s.P95, s.Bias, s.MedianSigma, s.Coverage95, s.Rms1, s.ErrorOverSigma95)
	}
	return tw.Flush()
}
