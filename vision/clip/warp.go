package clip

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"

	"nightcage/vision"
)

// pair is a still thing's place in this picture and in an earlier one, px.
type pair struct{ now, then [2]float64 }

// warp is a plane map in homogeneous coordinates, row-major, last entry 1.
type warp [9]float64

var identity = warp{1, 0, 0, 0, 1, 0, 0, 0, 1}

func (h warp) apply(p [2]float64) [2]float64 {
	w := h[6]*p[0] + h[7]*p[1] + h[8]
	return [2]float64{(h[0]*p[0] + h[1]*p[1] + h[2]) / w, (h[3]*p[0] + h[4]*p[1] + h[5]) / w}
}

// after is the map that does g first and h after it.
func (h warp) after(g warp) warp {
	var o warp
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				o[3*i+j] += h[3*i+k] * g[3*k+j]
			}
		}
	}
	return o.normal()
}

func (h warp) inverse() warp {
	return warp{
		h[4]*h[8] - h[5]*h[7], h[2]*h[7] - h[1]*h[8], h[1]*h[5] - h[2]*h[4],
		h[5]*h[6] - h[3]*h[8], h[0]*h[8] - h[2]*h[6], h[2]*h[3] - h[0]*h[5],
		h[3]*h[7] - h[4]*h[6], h[1]*h[6] - h[0]*h[7], h[0]*h[4] - h[1]*h[3],
	}.normal()
}

func (h warp) normal() warp {
	for i := range 9 {
		h[i] /= h[8]
		if i == 8 {
			h[8] = 1
		}
	}
	return h
}

// affineAt is the map's tangent at a place.
func (h warp) affineAt(p [2]float64, sigmaPx float64) vision.Affine {
	q := h.apply(p)
	w := h[6]*p[0] + h[7]*p[1] + h[8]
	a := vision.Affine{
		A: (h[0] - q[0]*h[6]) / w, B: (h[1] - q[0]*h[7]) / w,
		C: (h[3] - q[1]*h[6]) / w, D: (h[4] - q[1]*h[7]) / w, SigmaPx: sigmaPx,
	}
	a.TX, a.TY = q[0]-a.A*p[0]-a.B*p[1], q[1]-a.C*p[0]-a.D*p[1]
	return a
}

func (h warp) residual(p pair) float64 {
	q := h.apply(p.now)
	return math.Hypot(q[0]-p.then[0], q[1]-p.then[1])
}

// similar is the turn, zoom and shift that takes two points to two points. ok
// is false when the first two coincide.
func similar(a, b pair) (h warp, ok bool) {
	x, y := b.now[0]-a.now[0], b.now[1]-a.now[1]
	u, v := b.then[0]-a.then[0], b.then[1]-a.then[1]
	n := x*x + y*y
	if n == 0 {
		return h, false
	}
	c, s := (x*u+y*v)/n, (x*v-y*u)/n
	return warp{c, -s, a.then[0] - c*a.now[0] + s*a.now[1], s, c, a.then[1] - s*a.now[0] - c*a.now[1], 0, 0, 1}, true
}

const (
	// With two of three points on the still background, a draw of two is good
	// with probability 4/9, and 60 draws all fail once in 10^15.
	consensusDraws = 60
	consensusSeed  = 0x73686b
	// A camera turned by t bends the picture away from any similarity by
	// t*d*d/f, d px from the middle: 4 px at the edge for a hand-held one.
	roughPx = 4.0
	// Tracking errors of still points are a few tenths of a px.
	inlierPx = 1.5
	// roughScatterPx is taken for the points' scatter before it is known.
	roughScatterPx = 0.5
	// minAgree is below half: points that something in front has covered since
	// are followed to anywhere, and not together.
	minAgree = 0.35
	// bendPrior is the standard deviation expected of the two bending terms, as
	// the relative change of scale across half a picture: a turn of a degree
	// through a lens of 50 degrees gives 0.01.
	bendPrior = 0.02
	// rowPrior is the standard deviation expected of how far a row is moved for
	// being taken later than the one above: shear and stretch, px per px. Phone
	// sensors take 15 to 30 ms from the first row to the last (common practice,
	// no source); a picture that moves at 500 px/s then leans by 10 px in 720.
	rowPrior = 0.015
)

// fit finds the map that most pairs agree on: turn, zoom, shift, the bend that a
// turning camera gives and the lean of rows taken one after another (eight
// numbers). Besides the map it returns the
// standard error of a displaced point at a place, px per axis, and the pairs
// that agree. ok is false when fewer than minPairs agree, or a smaller share than
// minAgree.
func fit(ps []pair, minPairs int, at [2]float64, halfWidth float64) (h warp, sigmaPx float64, agree int, ok bool) {
	if len(ps) < max(minPairs, 4) {
		return identity, 0, 0, false
	}
	rng := rand.New(rand.NewPCG(consensusSeed, uint64(len(ps))))
	best := -1.0
	for range consensusDraws {
		i, j := rng.IntN(len(ps)), rng.IntN(len(ps)-1)
		if j >= i {
			j++
		}
		c, fine := similar(ps[i], ps[j])
		if !fine {
			continue
		}
		score := 0.0
		for _, p := range ps {
			score += max(0, 1-c.residual(p)/roughPx)
		}
		if score > best {
			best, h = score, c
		}
	}
	w := make([]float64, len(ps))
	scatter := roughScatterPx
	for round := range 8 {
		limit := max(inlierPx, roughPx*math.Pow(0.6, float64(round)))
		for i, p := range ps {
			// Tukey's biweight.
			u := min(h.residual(p)/limit, 1)
			w[i] = (1 - u*u) * (1 - u*u)
		}
		refined, sd, fine := refine(ps, w, at, halfWidth, scatter)
		if !fine {
			return identity, 0, 0, false
		}
		h = refined
		scatter, agree = h.scatter(ps)
		sigmaPx = sd * scatter
	}
	if agree < minPairs || float64(agree) < minAgree*float64(len(ps)) {
		return identity, 0, agree, false
	}
	return h, sigmaPx, agree, true
}

// scatter is the standard deviation per axis of one point's residual, px, from
// the median length of those within inlierPx (a Rayleigh variable: median 1.177
// sigma), and how many these are. It is at least three tenths of a px: what flow errs by in
// compressed pictures is partly alike for all points of a row, which the median does
// not show.
func (h warp) scatter(ps []pair) (px float64, agree int) {
	var errors []float64
	for _, p := range ps {
		if r := h.residual(p); r < inlierPx {
			errors = append(errors, r)
		}
	}
	if len(errors) == 0 {
		return roughScatterPx, 0
	}
	slices.Sort(errors)
	return max(errors[len(errors)/2]/1.177, 0.3), len(errors)
}

// refine solves, for x, y = now and u, v = then about the place at in units of
// halfWidth,
//
//	u = a*x - b*y + c - p*x*u - q*y*u + s*y
//	v = b*x + a*y + d - p*x*v - q*y*v + t*y
//
// by weighted least squares, with p, q held near zero by bendPrior and s, t by
// rowPrior against
// points that scatter by scatterPx. sd is the standard error of c (and d), times
// halfWidth, for residuals of unit standard deviation.
func refine(ps []pair, w []float64, at [2]float64, halfWidth, scatterPx float64) (h warp, sd float64, ok bool) {
	n := mat.NewSymDense(8, nil)
	r := mat.NewVecDense(8, nil)
	add := func(row [8]float64, y, w float64) {
		for i := range row {
			r.SetVec(i, r.AtVec(i)+w*row[i]*y)
			for j := i; j < len(row); j++ {
				n.SetSym(i, j, n.At(i, j)+w*row[i]*row[j])
			}
		}
	}
	for i, p := range ps {
		x, y := (p.now[0]-at[0])/halfWidth, (p.now[1]-at[1])/halfWidth
		u, v := (p.then[0]-at[0])/halfWidth, (p.then[1]-at[1])/halfWidth
		add([8]float64{x, -y, 1, 0, -x * u, -y * u, y, 0}, u, w[i])
		add([8]float64{y, x, 0, 1, -x * v, -y * v, 0, y}, v, w[i])
	}
	for k, spread := range []float64{bendPrior, bendPrior, rowPrior, rowPrior} {
		prior := scatterPx / halfWidth / spread
		n.SetSym(4+k, 4+k, n.At(4+k, 4+k)+prior*prior)
	}
	var chol mat.Cholesky
	if !chol.Factorize(n) || chol.Cond() > 1e10 {
		return identity, 0, false
	}
	var s mat.VecDense
	var cov mat.SymDense
	if chol.SolveVecTo(&s, r) != nil || chol.InverseTo(&cov) != nil {
		return identity, 0, false
	}
	unit := warp{s.AtVec(0), s.AtVec(6) - s.AtVec(1), s.AtVec(2), s.AtVec(1), s.AtVec(0) + s.AtVec(7), s.AtVec(3), s.AtVec(4), s.AtVec(5), 1}
	into := warp{1 / halfWidth, 0, -at[0] / halfWidth, 0, 1 / halfWidth, -at[1] / halfWidth, 0, 0, 1}
	return into.inverse().after(unit).after(into), math.Sqrt(max(cov.At(2, 2), cov.At(3, 3))), true
}
