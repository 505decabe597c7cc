package phases

import (
	"math"

	"nightcage/vision"
)

// arc is the bat's turn through the fast part of the swing.
type arc struct {
	swept   series // angle turned in the swing's plane, rad, growing with time
	heading series // seen from above, degrees: -90 barrel toward the catcher, 0 square, +90 toward the pitcher
	// headingS is the standard error that all headings share, degrees.
	headingS float64
	source   string
	peak     float64 // when the turn is fastest, ms
	// across is set when the camera looks along the pitch line and nothing was
	// solved: then the swing's plane is seen edge-on, and peak is when the bat
	// reaches farthest to the plate's side, to peakS ms.
	across bool
	peakS  float64
}

// arcMs is how far to either side of the speed peak the turn is read: from
// before the bat passes parallel (40 to 60 ms before contact) to well after
// contact.
const arcMs = 75

// readArc reads the turn about the peak of tip speed. The angle swept is taken
// from the marks of single frames wherever the picture gives one, because a
// solution in three dimensions may have been smoothed over a sudden change;
// the heading is taken from the solution when there is one.
func (r *reading) readArc(b batPath) arc {
	var a arc
	w, along := r.plateSide(b)
	if along && b.dir.x.len() == 0 {
		return farthest(w, b.length)
	}
	tilt, ok := r.pictureArc(b, &a)
	if solved := r.solvedArc(b); solved.swept.len() >= 6 {
		if !ok {
			a.swept = solved.swept
		}
		a.heading, a.headingS, a.source = solved.heading, solved.headingS, solved.source
		if along && !reaches(solved.heading, pastSquareDeg) {
			// Along the pitch line the bat's depth changes sign at square. A
			// solution that keeps the sign turns the bat back there; the picture
			// shows whether it did.
			if f := farthest(w, b.length); f.peakS > 0 && 6*f.peakS < acrossMs {
				return f
			}
		}
	} else if ok {
		r.pictureHeading(&a, tilt)
	}
	a.peak = b.peak
	if ok || a.swept.len() >= 6 {
		top := 0.0
		half := r.wide(20)(b.peak)
		for t := b.peak - 40; t <= b.peak+40; t += r.gap(b.peak) / 4 {
			if _, v, _, _, ok := a.swept.local(t, half, 2); ok && v > top {
				top, a.peak = v, t
			}
		}
	}
	return a
}

// pictureArc fills a.swept from tip and knob in the picture. A rod turning
// about one end in a plane shows its other end on an ellipse centred on the
// first, A*x^2 + B*x*y + C*y^2 = 1; the map that makes the ellipse a circle
// gives the true angle from the picture alone. The knob moves smoothly through
// contact, so its own scatter is smoothed away first. phase is the angle at
// which the picture shows the bat farthest to the right.
//
// ok is false when the points do not fit an ellipse whose short axis is at
// least a sixth of its long one (a plane seen nearly edge-on), or cover less
// than a quarter of it.
func (r *reading) pictureArc(b batPath, a *arc) (phase float64, ok bool) {
	half := r.wide(25)
	var t, x, y, sd []float64
	n, rhs := newMatrix(3), make([]float64, 3)
	for i, ti := range b.seenTip.x.t {
		if ti < b.peak-arcMs || ti > b.peak+arcMs {
			continue
		}
		ty := b.seenTip.y.at(ti)
		kx, _, sk, _, ok1 := b.knob.x.local(ti, half(ti), 2)
		ky, _, _, _, ok2 := b.knob.y.local(ti, half(ti), 2)
		if !ok1 || !ok2 || math.IsNaN(ty) {
			continue
		}
		dx, dy := b.seenTip.x.x[i]-kx, ty-ky
		t, x, y, sd = append(t, ti), append(x, dx), append(y, dy), append(sd, math.Hypot(b.seenTip.x.sd[i], sk))
		row := [3]float64{dx * dx, dx * dy, dy * dy}
		w := 1 / (dx*dx + dy*dy) // far points would otherwise rule
		for j := range 3 {
			rhs[j] += w * row[j]
			for k := range 3 {
				n[j][k] += w * row[j] * row[k]
			}
		}
	}
	if len(t) < 6 || !cholesky(n) {
		return 0, false
	}
	q := cholSolve(n, rhs)
	disc := math.Hypot(q[0]-q[2], q[1])
	long, short := (q[0]+q[2]-disc)/2, (q[0]+q[2]+disc)/2
	if !(long > 0) || short > 36*long {
		return 0, false
	}
	// M with M'M = [[A, B/2], [B/2, C]].
	m11 := math.Sqrt(q[0])
	m12 := q[1] / 2 / m11
	m22 := math.Sqrt(q[2] - m12*m12)
	th, s := make([]float64, len(t)), make([]float64, len(t))
	misfit := 0.0
	for i := range t {
		u, v := m11*x[i]+m12*y[i], m22*y[i]
		r2 := u*u + v*v
		misfit += math.Abs(math.Sqrt(r2) - 1)
		th[i] = math.Atan2(v, u)
		if i > 0 {
			th[i] += 2 * math.Pi * math.Round((th[i-1]-th[i])/(2*math.Pi))
		}
		// d(angle) = (u*dv - v*du)/r2 with du = m11*dx + m12*dy, dv = m22*dy.
		s[i] = sd[i] * math.Hypot(v*m11, u*m22-v*m12) / r2
	}
	turned := th[len(th)-1] - th[0]
	if math.Abs(turned) < math.Pi/2 || misfit/float64(len(t)) > 0.15 {
		return 0, false
	}
	// x = (u - m12*v/m22)/m11 is greatest where (u, v) points along
	// (1, -m12/m22).
	phase = math.Atan2(-m12/m22, 1)
	if turned < 0 {
		for i := range th {
			th[i] = -th[i]
		}
		phase = -phase
	}
	a.swept = series{t, th, s}
	return phase, true
}

// pictureHeading fills a.heading from a.swept and where the camera stands. The
// picture's right is the swing frame's (cos yaw, 0, -sin yaw), so the bat
// shows there length*cos(elevation)*sin(heading-yaw), greatest at heading =
// yaw+90. Away from that, heading and angle swept are taken to run alike: a
// plane tilted by 35 degrees parts them by at most 6 degrees, and where the
// bat points along the line of sight they agree again.
func (r *reading) pictureHeading(a *arc, phase float64) {
	yaw, sd, ok := r.cameraYaw()
	if !ok {
		return
	}
	right := 90 + yaw
	if r.track.Hand.Bats == vision.SideLeft {
		right -= 180 // the picture's right is the mirrored frame's left
	}
	const tiltS = 6
	h := series{a.swept.t, make([]float64, a.swept.len()), make([]float64, a.swept.len())}
	for i := range h.x {
		h.x[i] = right + (a.swept.x[i]-phase)*180/math.Pi
		h.sd[i] = a.swept.sd[i] * 180 / math.Pi
	}
	// Of the turns that this leaves open, contact near square.
	mid := h.at(math.Min(math.Max(h.t[0], (h.t[0]+h.t[len(h.t)-1])/2), h.t[len(h.t)-1]))
	k := 360 * math.Round(mid/360)
	for i := range h.x {
		h.x[i] -= k
	}
	a.heading, a.headingS, a.source = h, math.Hypot(sd, tiltS), "bat heading from the ellipse it draws in the picture"
}

// cameraYaw is Sighting.YawDeg; where no sighting was made, a stance seen from
// the side tells chest from back by the side on which the pitcher stands, to
// some 20 degrees.
func (r *reading) cameraYaw() (deg, sd float64, ok bool) {
	s := r.track.Sighting
	if h := r.track.Hand.Bats; h != vision.SideLeft && h != vision.SideRight {
		return 0, 0, false
	}
	if s.View != vision.ViewUnknown && s.View != "" {
		return s.YawDeg, math.Max(s.SigmaDeg, 3), true
	}
	if r.pitcher == 0 {
		return 0, 0, false
	}
	if (r.pitcher > 0) == (r.track.Hand.Bats == vision.SideRight) {
		return 0, 20, true
	}
	return 180, 20, true
}

// solvedArc reads the turn from the solved bat.
func (r *reading) solvedArc(b batPath) arc {
	var a arc
	d := space{b.dir.x.between(b.peak-arcMs, b.peak+arcMs), b.dir.y.between(b.peak-arcMs, b.peak+arcMs), b.dir.z.between(b.peak-arcMs, b.peak+arcMs)}
	n := d.x.len()
	if n < 6 || d.y.len() != n || d.z.len() != n {
		return a
	}
	// The plane's normal is the mean of the turns from sample to sample.
	var nx, ny, nz float64
	for i := 1; i < n; i++ {
		nx += d.y.x[i-1]*d.z.x[i] - d.z.x[i-1]*d.y.x[i]
		ny += d.z.x[i-1]*d.x.x[i] - d.x.x[i-1]*d.z.x[i]
		nz += d.x.x[i-1]*d.y.x[i] - d.y.x[i-1]*d.x.x[i]
	}
	l := math.Sqrt(nx*nx + ny*ny + nz*nz)
	if !(l > 0) {
		return a
	}
	nx, ny, nz = nx/l, ny/l, nz/l
	// Axes in the plane: e1 the first direction's part in it, e2 = n x e1.
	p := d.x.x[0]*nx + d.y.x[0]*ny + d.z.x[0]*nz
	e1 := [3]float64{d.x.x[0] - p*nx, d.y.x[0] - p*ny, d.z.x[0] - p*nz}
	l = math.Sqrt(e1[0]*e1[0] + e1[1]*e1[1] + e1[2]*e1[2])
	if !(l > 0) {
		return a
	}
	for i := range e1 {
		e1[i] /= l
	}
	e2 := [3]float64{ny*e1[2] - nz*e1[1], nz*e1[0] - nx*e1[2], nx*e1[1] - ny*e1[0]}
	unwrap := func(s *series, v, turn float64) {
		if k := len(s.x); k > 0 {
			v += turn * math.Round((s.x[k-1]-v)/turn)
		}
		s.x = append(s.x, v)
	}
	for i := range n {
		x, y, z := d.x.x[i], d.y.x[i], d.z.x[i]
		u, v := x*e1[0]+y*e1[1]+z*e1[2], x*e2[0]+y*e2[1]+z*e2[2]
		t := d.x.t[i]
		a.swept.t, a.heading.t = append(a.swept.t, t), append(a.heading.t, t)
		unwrap(&a.swept, math.Atan2(v, u), 2*math.Pi)
		unwrap(&a.heading, math.Atan2(x, z)*180/math.Pi, 360)
		across := math.Max(d.x.sd[i], d.z.sd[i])
		a.swept.sd = append(a.swept.sd, across/math.Hypot(u, v))
		a.heading.sd = append(a.heading.sd, across/math.Max(math.Hypot(x, z), 0.1)*180/math.Pi)
	}
	k := 360 * math.Round(a.heading.x[n/2]/360)
	for i := range a.heading.x {
		a.heading.x[i] -= k
	}
	a.headingS, a.source = r.track.Solution.YawSigmaDeg, "bat heading in three dimensions"
	return a
}

// alongPitch reports whether the camera looks along the pitch line, within 40
// degrees, from either end.
func (r *reading) alongPitch() bool {
	yaw, _, ok := r.cameraYaw()
	return ok && math.Abs(math.Sin(yaw*math.Pi/180)) > math.Cos(40*math.Pi/180)
}

// plateSide is the bat's reach to the plate's side in a picture taken along
// the pitch line, inches at the body.
func (r *reading) plateSide(b batPath) (series, bool) {
	if !r.alongPitch() || b.axis.x.len() < minFrames {
		return series{}, false
	}
	yaw, _, _ := r.cameraYaw()
	k := -1.0 // from the front the plate is to the left of a right-handed hitter
	if yaw < 0 {
		k = 1
	}
	if r.track.Hand.Bats == vision.SideLeft {
		k = -k
	}
	return b.axis.x.scaled(k), true
}

// farthest finds the quickest passage of the bat past the plate's side: of the
// stretches in which w stays above three fifths of the bat's length, the
// shortest. A bat that turns evenly is square to the pitch half way through
// it; a sixth of the stretch is allowed for uneven turning.
func farthest(w series, length float64) arc {
	a := arc{across: true, source: "bat's reach to the plate's side in the picture"}
	bar := 0.6 * length
	best := math.Inf(1)
	for _, run := range runs(w.x, bar, 2, 1) {
		i, j := run[0], run[1]
		if i == 0 || j == w.len()-1 {
			continue
		}
		up := w.t[i-1] + (w.t[i]-w.t[i-1])*(bar-w.x[i-1])/(w.x[i]-w.x[i-1])
		down := w.t[j] + (w.t[j+1]-w.t[j])*(w.x[j]-bar)/(w.x[j]-w.x[j+1])
		if d := down - up; d < best {
			best, a.peak, a.peakS = d, (up+down)/2, d/6
		}
	}
	return a
}

// reaches reports whether s is at or above level anywhere.
func reaches(s series, level float64) bool {
	for _, x := range s.x {
		if x >= level {
			return true
		}
	}
	return false
}
