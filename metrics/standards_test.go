package metrics

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// near fails unless got is within tol of want.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.6g, want %.6g within %.2g", what, got, want, tol)
	}
}

// drawn puts models of common inputs through the engine, n draws from a fixed
// seed. in makes the inputs of a draw.
func drawn[T any](t *testing.T, n int, in func(rng *rand.Rand) T, models ...func(x T) float64) []sampleOf {
	t.Helper()
	rng := rand.New(rand.NewPCG(101, 2008))
	var x T
	outputs := make([]output, len(models))
	for i, m := range models {
		outputs[i] = func() (float64, bool, *missing) { return m(x), false, nil }
	}
	s, _, err := repeat(t.Context(), n, func() { x = in(rng) }, outputs)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// one draws a single model of inputs that no other shares.
func one(t *testing.T, n int, model func(rng *rand.Rand) float64) sampleOf {
	t.Helper()
	return drawn(t, n, model, func(y float64) float64 { return y })[0]
}

// rect draws a rectangular distribution of standard deviation sd about 0.
func rect(rng *rand.Rand, sd float64) float64 {
	return between(rng, -sd*math.Sqrt(3), sd*math.Sqrt(3))
}

func between(rng *rand.Rand, low, high float64) float64 { return low + (high-low)*rng.Float64() }

// TestMonteCarloSupplement1 reproduces JCGM 101:2008 clause 9 and examples like
// it. Tolerances are four standard errors of what the draws leave to chance, or
// half the last digit printed.
func TestMonteCarloSupplement1(t *testing.T) {
	const n = 200_000
	for _, c := range []struct {
		name            string
		model           func(rng *rand.Rand) float64
		mean, sd        float64
		low, high       float64 // central 95 %
		meanTol, endTol float64
	}{
		{"9.2.2 four normals", func(r *rand.Rand) float64 {
			return r.NormFloat64() + r.NormFloat64() + r.NormFloat64() + r.NormFloat64()
		}, 0, 2.00, -3.92, 3.92, .02, .05},
		{"9.2.3 four rectangular", func(r *rand.Rand) float64 {
			return rect(r, 1) + rect(r, 1) + rect(r, 1) + rect(r, 1)
		}, 0, 2.00, -3.88, 3.88, .02, .04},
		{"9.2.4 one wide rectangular", func(r *rand.Rand) float64 {
			return rect(r, 1) + rect(r, 1) + rect(r, 1) + rect(r, 10)
		}, 0, 10.15, -17.0, 17.0, .1, .1},
		// Mass calibration: first-order propagation gives u = .0539, two thirds of
		// it. The distribution is symmetric: the shortest interval printed there is
		// the central one.
		{"9.3 mass", func(r *rand.Rand) float64 {
			mR, dm := 100_000+.050*r.NormFloat64(), 1.234+.020*r.NormFloat64()
			air, rW, rR := between(r, 1.10, 1.30), between(r, 7000, 9000), between(r, 7950, 8050)
			return (mR+dm)*(1+(air-1.2)*(1/rW-1/rR)) - 100_000
		}, 1.2340, .0754, 1.0834, 1.3825, .001, .003},
		// y = x1^2 + x2^2 about (0, 0), u = .005: y/u^2 is chi-square with two
		// degrees of freedom, mean and sd 2u^2 = 5.0e-5; central ends 2u^2*-ln(.975)
		// and 2u^2*-ln(.025). First-order propagation gives 0.
		{"9.4 comparison loss at the origin", loss(0, 0), 5.0e-5, 5.0e-5, 1.266e-6, 1.844e-4, 5e-7, 2e-6},
		{"9.4 comparison loss at .010", loss(.010, 0), 1.50e-4, 1.12e-4, math.NaN(), math.NaN(), 1e-6, 0},
		{"9.4 comparison loss at .050", loss(.050, 0), 2.55e-3, 5.02e-4, math.NaN(), math.NaN(), 5e-6, 0},
		{"9.4 at the origin, r = .9", loss(0, .9), 5.0e-5, 6.7e-5, math.NaN(), math.NaN(), 1e-6, 0},
		{"9.4 at .010, r = .9", loss(.010, .9), 1.50e-4, 1.21e-4, math.NaN(), math.NaN(), 1e-6, 0},
		{"9.4 at .050, r = .9", loss(.050, .9), 2.55e-3, 5.04e-4, math.NaN(), math.NaN(), 5e-6, 0},
		// NPL's logarithm of a rectangular variable, R(.1, 1.1): mean and sd in
		// closed form, ends the logarithms of x's. First order gives -.511 and .481.
		{"NPL logarithm", func(r *rand.Rand) float64 { return math.Log(between(r, .1, 1.1)) },
			-.66490, .60623, math.Log(.125), math.Log(1.075), .006, .02},
		// NIST Technical Note 1900, example E3 (viscosity by falling ball).
		{"TN 1900 E3", func(r *rand.Rand) float64 {
			tm, tc := 61+6.1*r.NormFloat64(), 36.6+5.49*r.NormFloat64()
			rb, rm, rc := 2217+.5*r.NormFloat64(), 1180+.5*r.NormFloat64(), 810+.5*r.NormFloat64()
			return (4.63 + .0463*r.NormFloat64()) * tm * (rb - rm) / (tc * (rb - rc))
		}, 5.82, 1.11, 4.05, 8.39, .01, .04},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := one(t, n, c.model)
			near(t, "mean", s.mean(), c.mean, c.meanTol)
			near(t, "sd", s.sd(), c.sd, .01*c.sd)
			if low, high := s.central(.95); !math.IsNaN(c.low) {
				near(t, "low", low, c.low, c.endTol)
				near(t, "high", high, c.high, c.endTol)
			}
		})
	}
}

// loss is the model of JCGM 101:2008, 9.4: y = x1^2 + x2^2 with u = .005 in
// both, x2 = 0, correlated r.
func loss(x1, r float64) func(rng *rand.Rand) float64 {
	return func(rng *rand.Rand) float64 {
		z1, z2 := rng.NormFloat64(), rng.NormFloat64()
		a, b := x1+.005*z1, .005*(r*z1+math.Sqrt(1-r*r)*z2)
		return a*a + b*b
	}
}

// TestGaugeBlock is JCGM 101:2008, 9.5 (inputs of its table 10, from memory):
// the end gauge of JCGM 100 H.1 with Student, arcsine and curvilinear-trapezium
// inputs. The mean is 838 nm over nominal, u = 36 nm, the 99 % interval 745 to
// 932 nm; first order gives u = 32.
func TestGaugeBlock(t *testing.T) {
	s := one(t, 200_000, func(r *rand.Rand) float64 {
		student := func(mu, u, nu float64) float64 {
			return distuv.StudentsT{Mu: mu, Sigma: u, Nu: nu, Src: r}.Rand()
		}
		trap := func(half, d float64) float64 { // limits +-half, each known to +-d
			low := between(r, -half-d, -half+d)
			return between(r, low, -low)
		}
		ls, d := student(50_000_623, 25, 18), student(215, 6, 24)+student(0, 4, 5)+student(0, 7, 8)
		alpha, dAlpha, dTheta := between(r, 9.5e-6, 13.5e-6), trap(1e-6, .1e-6), trap(.05, .025)
		theta := -.1 + .2*r.NormFloat64() + .5*math.Sin(2*math.Pi*r.Float64())
		return ls + d - ls*(dAlpha*theta+alpha*dTheta) - 50_000_000
	})
	near(t, "mean", s.mean(), 838, .5)
	near(t, "u", s.sd(), 36, .5)
	low, high := s.central(.99)
	near(t, "low", low, 745, 2)
	near(t, "high", high, 932, 2)
}

// TestBudgetOfAnEndGauge is JCGM 100:2008, H.1: the standard uncertainties of
// the parts, in nm, and their root sum of squares, 32 (31.66 unrounded). The
// budget draws one source at a time, the others at their estimates, which in
// this nearly linear model is what the parts there are.
func TestBudgetOfAnEndGauge(t *testing.T) {
	sources := []SourceOfError{"l_s", "d", "alpha", "theta", "d_alpha", "d_theta"}
	parts, err := budgets(sources, 1, func(on map[SourceOfError]bool) ([]sampleOf, error) {
		return []sampleOf{one(t, 100_000, func(r *rand.Rand) float64 {
			at := func(s SourceOfError, expected, off float64) float64 {
				if on[s] {
					return expected + off
				}
				return expected
			}
			ls, d := at("l_s", 50_000_623, 25*r.NormFloat64()), at("d", 215, 9.7*r.NormFloat64())
			alpha, theta := at("alpha", 11.5e-6, rect(r, 2e-6/math.Sqrt(3))), at("theta", -.1, .41*r.NormFloat64())
			dAlpha, dTheta := at("d_alpha", 0, rect(r, 1e-6/math.Sqrt(3))), at("d_theta", 0, rect(r, .05/math.Sqrt(3)))
			return ls + d - ls*(dAlpha*theta+alpha*dTheta)
		})}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for s, want := range map[SourceOfError]float64{"l_s": 25, "d": 9.7, "alpha": 0, "theta": 0, "d_alpha": 2.887, "d_theta": 16.599} {
		near(t, "u from "+string(s), math.Sqrt(parts[0][s]), want, .01*want)
		sum += parts[0][s]
	}
	near(t, "combined", math.Sqrt(sum), 31.66, .2)
	near(t, "share of l_s", shares(parts[0], sum)["l_s"], 625/1002.4, .01)
}

// TestAngleOfAShortVector is the polar example of JCGM 102 (values as
// reproduced by the MSL GUM tree calculator's test suite): re .001 +- .01,
// im 0 +- .01. Linear propagation gives a phase of standard uncertainty 10 rad;
// the draws give 1.744. It is why no angle here is linearised.
func TestAngleOfAShortVector(t *testing.T) {
	s := drawn(t, 200_000, func(r *rand.Rand) r3.Vec { return r3.Vec{X: .001 + .01*r.NormFloat64(), Y: .01 * r.NormFloat64()} },
		func(v r3.Vec) float64 { return math.Atan2(v.Y, v.X) }, r3.Norm)
	near(t, "phase sd", s[0].sd(), 1.744, .01)
	near(t, "magnitude", s[1].mean(), .013, .0005)
	near(t, "magnitude sd", s[1].sd(), .007, .0005)
}

// TestCorrelatedInputs is JCGM 100:2008 annex H.2: R, X, Z from five
// observations of V, I, phi taken together. One draw feeds all three, as one
// draw feeds all measures of a swing.
func TestCorrelatedInputs(t *testing.T) {
	obs := [3][]float64{
		{5.007, 4.994, 5.005, 4.990, 4.999},
		{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3},
		{1.0456, 1.0438, 1.0468, 1.0428, 1.0433},
	}
	var mu [3]float64
	cov := mat.NewSymDense(3, nil)
	for i := range obs {
		mu[i] = stat.Mean(obs[i], nil)
		for j := range i + 1 {
			cov.SetSym(i, j, stat.Covariance(obs[i], obs[j], nil)/5)
		}
	}
	propagate := func(cov *mat.SymDense) []sampleOf {
		var chol mat.Cholesky
		if !chol.Factorize(cov) {
			t.Fatal("covariance is not positive definite")
		}
		var l mat.TriDense
		chol.LTo(&l)
		return drawn(t, 200_000, func(rng *rand.Rand) [3]float64 {
			z, v := normal3(rng), mu
			for i := range 3 {
				for j := range i + 1 {
					v[i] += l.At(i, j) * axisOf(z, j)
				}
			}
			return v
		},
			func(v [3]float64) float64 { return v[0] / v[1] * math.Cos(v[2]) },
			func(v [3]float64) float64 { return v[0] / v[1] * math.Sin(v[2]) },
			func(v [3]float64) float64 { return v[0] / v[1] })
	}
	y := propagate(cov)
	for k, want := range [3][2]float64{{127.732, .071}, {219.847, .2956}, {254.260, .236}} {
		near(t, "R X Z"[2*k:2*k+1], y[k].mean(), want[0], .003)
		near(t, "u("+"R X Z"[2*k:2*k+1]+")", y[k].sd(), want[1], .01*want[1])
	}
	near(t, "r(R,X)", stat.Correlation(y[0].values, y[1].values, nil), -.588, .01)
	near(t, "r(R,Z)", stat.Correlation(y[0].values, y[2].values, nil), -.485, .01)
	near(t, "r(X,Z)", stat.Correlation(y[1].values, y[2].values, nil), .993, .001)

	// With the correlations dropped the answer is a different one.
	apart := mat.NewSymDense(3, nil)
	for i := range 3 {
		apart.SetSym(i, i, cov.At(i, i))
	}
	for k, want := range [3]float64{.195, .201, .204} {
		near(t, "u without correlation", propagate(apart)[k].sd(), want, .01*want)
	}
}

// TestLineFit is JCGM 100:2008 annex H.3, calibration of a thermometer: the
// straight line through 11 corrections b at temperatures t about 20 deg C.
func TestLineFit(t *testing.T) {
	temp := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	b := []float64{-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160}
	tau, sigma := make([]float64, len(b)), make([]float64, len(b))
	for i := range b {
		tau[i], sigma[i] = temp[i]-20, 1
	}
	l := fitLine(0, 1, tau, b, sigma, pace{})
	ssr := 0.0
	for i := range b {
		r := b[i] - polynomial(l.beta[:2], tau[i])
		ssr += r * r
	}
	s := math.Sqrt(ssr / 9)
	near(t, "y1", l.beta[0], -.1712, 5e-5)
	near(t, "y2", l.beta[1], .00218, 5e-6)
	near(t, "s", s, .0035, 5e-5)
	near(t, "u(y1)", s*math.Sqrt(l.cov[0][0]), .0029, 5e-5)
	near(t, "u(y2)", s*math.Sqrt(l.cov[1][1]), .00067, 5e-6)
	near(t, "r(y1,y2)", l.cov[0][1]/math.Sqrt(l.cov[0][0]*l.cov[1][1]), -.930, 5e-4)
	near(t, "b(30)", polynomial(l.beta[:2], 10), -.1494, 5e-5)
	near(t, "u(b(30))", s*math.Sqrt(l.cov[0][0]+20*l.cov[0][1]+100*l.cov[1][1]), .0041, 5e-5)
}

// TestSlopeOfThreeFrames: the slope at the middle of three frames dt apart is
// the central difference, u(v) = u(x)/(sqrt(2) dt), the textbook propagation.
func TestSlopeOfThreeFrames(t *testing.T) {
	const dt, u = 1 / .24, .3 // ms at 240 fps, in
	tau := []float64{0, -dt / unitMs, dt / unitMs}
	l := fitLine(0, 2, tau, []float64{5, 4, 7}, []float64{u, u, u}, pace{})
	_, slope := l.read(&l.beta, 0)
	near(t, "slope", slope, 3/(2*dt)*1000, 1e-9)
	near(t, "u(slope)", math.Sqrt(l.cov[1][1])/unitMs, u/(math.Sqrt2*dt), 1e-12)
}

// TestFallingBall fits a ball filmed in the air at 30 fps: its height's second
// derivative is that of gravity. Data: file balltoss.txt of the BMC notebooks
// (BMClab, CC BY 4.0), seconds and metres, first seven rows.
func TestFallingBall(t *testing.T) {
	seconds := []float64{0, .0333, .0667, .1, .1333, .1667, .2}
	y := []float64{-.00228, .08078, .15226, .21304, .26297, .30214, .33099}
	tau, sigma := make([]float64, len(y)), make([]float64, len(y))
	for i := range y {
		tau[i], sigma[i] = seconds[i]-.1, 1
	}
	l := fitLine(0, 2, tau, y, sigma, pace{})
	ssr := 0.0
	for i := range y {
		r := y[i] - polynomial(l.beta[:3], tau[i])
		ssr += r * r
	}
	u := 2 * math.Sqrt(ssr/4*l.cov[2][2])
	near(t, "acceleration", 2*l.beta[2], -9.8, 3*u)
	if u > .1 {
		t.Errorf("u(acceleration) = %.3f: the fit is too loose to tell", u)
	}
}

// TestWindowWeighsNoiseAgainstCurvature: where noise rules the window is wide,
// where the motion bends quickly it is narrow.
func TestWindowWeighsNoiseAgainstCurvature(t *testing.T) {
	var tau, noisy, clean []float64
	for i := range 21 {
		k := float64((i+1)/2) * (1 - 2*float64(i%2))
		tau, noisy, clean = append(tau, k/2.4), append(noisy, 1), append(clean, .01)
	}
	p := pace{speed: .5, keepMs: keepMs}
	wide, _ := window(tau, noisy, 1, p)
	narrow, _ := window(tau, clean, 1, p)
	if wide <= narrow {
		t.Errorf("%d frames under 1 in of scatter, %d under .01 in", wide, narrow)
	}
	// A sine that changes as fast as the pace says, read with what the window
	// chose, is off by no more than the bias the line admits.
	y := make([]float64, len(tau))
	for i := range tau {
		y[i] = p.speed * p.keepMs * math.Sin(tau[i]*unitMs/p.keepMs)
	}
	n, degree := window(tau, clean, 1, p)
	l := fitLine(0, degree, tau[:n], y[:n], clean[:n], p)
	_, slope := l.read(&l.beta, 0)
	admitted := math.Abs(l.bias[1]) * 1000 / unitMs
	near(t, "slope", slope, p.speed*1000, admitted)
}

// TestWorkedLimb is the worked limb of the BMC notebook "Body segment
// parameters" (BMClab): places of toe joint, ankle, knee and hip in metres,
// Dempster's shares as in Winter 2009, table 4.1.
func TestWorkedLimb(t *testing.T) {
	place := map[end]r3.Vec{endToe: {X: 1.011, Y: .013}, endAnkle: {X: .849, Y: .110}, endKnee: {X: .864, Y: .549}, endHip: {X: .721, Y: .928}}
	at := func(e end, _ bool) r3.Vec { return place[e] }
	foot := segment{"foot", .0145, .500, endAnkle, endToe}
	leg := segment{"leg", .0465, .433, endKnee, endAnkle}
	thigh := segment{"thigh", .100, .433, endHip, endKnee}
	for _, c := range []struct {
		segments []segment
		x, y     float64
	}{
		{[]segment{foot}, .930, .062}, {[]segment{leg}, .858, .359}, {[]segment{thigh}, .783, .764},
		{[]segment{foot, leg, thigh}, .818, .584},
	} {
		got := massCentre(c.segments, at)
		near(t, c.segments[0].name+" x", got.X, c.x, 6e-4)
		near(t, c.segments[0].name+" y", got.Y, c.y, 6e-4)
	}
}

// TestDeLevaSums: the table's masses add up to the whole body (de Leva 1996,
// table 4: 1.0000 for men, .9999 for women).
func TestDeLevaSums(t *testing.T) {
	for female, want := range []float64{1.0000, .9999} {
		sum := 0.0
		for _, s := range deLeva(float64(female)) {
			sum += s.mass
			if s.paired() {
				sum += s.mass
			}
		}
		near(t, "sum of masses", sum, want, 5e-5)
	}
	// Half-way between the columns, a body at one place has its mass there.
	one := massCentre(deLeva(.5), func(end, bool) r3.Vec { return r3.Vec{X: 3, Y: 4, Z: 5} })
	near(t, "x", one.X, 3, 1e-12)
	near(t, "y", one.Y, 4, 1e-12)
}

// TestUnits: 1 mph = .44704 m/s and 1 in = 25.4 mm, both exact (NIST SP 811).
func TestUnits(t *testing.T) {
	near(t, "mph per in/s", mphPerInS, .0254/.44704, 1e-15)
}
