package change

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.6g, want %.6g within %.2g", what, got, want, tol)
	}
}

// day makes n readings with exactly this mean and standard deviation.
func day(name string, n int, m, sd float64) []Reading {
	out := make([]Reading, n)
	for i := range out {
		// Places symmetric about 0, scaled to a standard deviation of one.
		x := (float64(i) - float64(n-1)/2) / math.Sqrt(float64(n*(n+1))/12)
		out[i] = Reading{Day: name, Value: m + sd*x}
	}
	return out
}

// TestGUMH5 reproduces JCGM 100:2008, H.5: a voltage on ten days, five times a
// day; means (offset 10 V) and standard deviations in microvolts.
func TestGUMH5(t *testing.T) {
	means := []float64{172, 116, 13, 144, 106, 31, 60, 125, 163, 41}
	sds := []float64{60, 77, 111, 101, 67, 93, 80, 73, 88, 86}
	var all []Reading
	for i := range means {
		all = append(all, day(fmt.Sprint(i), 5, means[i], sds[i])...)
	}
	s := Describe(all)
	near(t, "mean", s.Mean, 97, .5)
	near(t, "pooled standard deviation s_b", s.TypicalError, 85, .5)
	q := squaresOf(byDay(all))
	near(t, "s(means)", math.Sqrt(q.msBetween()/5), 57, .5)
	near(t, "F", q.msBetween()/q.msWithin(), 2.25, .02)
	// (H.27): s_B^2 = s_a^2 - s_b^2/K, so s_B = sqrt(57^2 - 85^2/5) = 43 uV.
	near(t, "between days", s.DaySD, 43, .6)
	// u of the mean of ten such days is 18 uV with the days' effect, 13 without.
	// A difference of two such periods has sqrt 2 of it.
	sigma, df, ok := q.plus(q).ofDifference(byDay(all), byDay(all))
	if !ok {
		t.Fatal("no uncertainty")
	}
	near(t, "u(mean)", sigma/math.Sqrt2, 18, .1)
	near(t, "degrees of freedom", df, 18, 1e-9)
	near(t, "u(mean) of all fifty as one sample", s.SD/math.Sqrt(50), 13, .5)
}

// TestReliability reproduces Weir 2005, J Strength Cond Res 19(1):231-240, both
// data sets (set B from memory), and the one-subject example of Hopkins 2000,
// Sports Med 30(1):1-15. A subject of Weir's stands where a day stands here: both
// are the groups of a one-way analysis of variance.
func TestReliability(t *testing.T) {
	sets := []struct {
		name           string
		first, second  []float64
		icc, within    float64
		betweenSquares float64
	}{
		{"A", []float64{146, 148, 170, 90, 157, 156, 176, 205}, []float64{140, 152, 152, 99, 145, 153, 167, 218}, .950, 53.75, 2098.5},
		{"B", []float64{166, 168, 160, 150, 147, 146, 156, 155}, []float64{160, 172, 142, 159, 135, 143, 147, 168}, .559, 53.75, math.NaN()},
	}
	for _, c := range sets {
		var all []Reading
		for i := range c.first {
			all = append(all, Reading{Day: fmt.Sprint(i), Value: c.first[i]}, Reading{Day: fmt.Sprint(i), Value: c.second[i]})
		}
		q := squaresOf(byDay(all))
		icc := (q.msBetween() - q.msWithin()) / (q.msBetween() + q.msWithin())
		near(t, "set "+c.name+": ICC(1,1)", icc, c.icc, .0006)
		// Two-way mean squares 30.25 (trials, 1 df) and 57.11 (error, 7 df) add
		// up to the one-way mean square within: (30.25 + 7 57.11)/8 = 53.75.
		near(t, "set "+c.name+": mean square within", q.msWithin(), c.within, .02)
		if !math.IsNaN(c.betweenSquares) {
			near(t, "set "+c.name+": mean square between", q.msBetween(), c.betweenSquares, .05)
		}
	}
	var one []Reading
	for _, v := range []float64{72, 76, 74, 79, 79, 77} {
		one = append(one, Reading{Day: "1", Value: v})
	}
	s := Describe(one)
	near(t, "Hopkins: mean", s.Mean, 76.2, .05)
	near(t, "Hopkins: typical error of one subject", s.TypicalError, 2.8, .05)
	// MDC95 of Weir's SEM 7.557 is 20.95.
	near(t, "MDC95 over typical error", s.MDC95/s.TypicalError, 20.95/7.557, .001)
}

// season draws days of one period.
func season(rng *rand.Rand, name string, swings []int, mean, daySD, swingSD float64) []Reading {
	var out []Reading
	for d, n := range swings {
		shift := daySD * rng.NormFloat64()
		for range n {
			out = append(out, Reading{Day: fmt.Sprint(name, d), Value: mean + shift + swingSD*rng.NormFloat64()})
		}
	}
	return out
}

func repeat(n, times int) []int {
	out := make([]int, times)
	for i := range out {
		out[i] = n
	}
	return out
}

// TestFalseAlarmsAndPower simulates seasons in which nothing changed, and ones
// in which the hitter did. Sham changes must be found in at most the promised
// one of twenty; true ones as often as More says. Tolerance: four standard
// errors of 4000 draws, and for unequal days what Satterthwaite's
// approximation is known to give away (.01).
func TestFalseAlarmsAndPower(t *testing.T) {
	const draws = 4000
	within := func(p float64) float64 { return 4 * math.Sqrt(p*(1-p)/draws) }
	for _, c := range []struct {
		name          string
		before, after []int
		daySD         float64
		slack         float64
		others        int
	}{
		{"five days and five, days differ", repeat(8, 5), repeat(8, 5), 1, 0, 0},
		{"days all alike", repeat(8, 5), repeat(8, 5), 0, 0, 0},
		{"two days and two", repeat(10, 2), repeat(10, 2), 1.5, 0, 0},
		{"days of unequal size", []int{3, 12, 6, 20, 5}, []int{15, 4, 8}, 1, .01, 0},
		{"one swing a day", repeat(1, 9), repeat(1, 7), 1, 0, 0},
		{"one day and one, days known from nine others", []int{12}, []int{12}, 1, 0, 9},
	} {
		rng := rand.New(rand.NewPCG(7, 42))
		alarms := 0
		for range draws {
			var others [][]Reading
			for i := range c.others {
				others = append(others, season(rng, "o", repeat(12, 3), float64(i), c.daySD, 2))
			}
			a := Compare(season(rng, "b", c.before, 50, c.daySD, 2), season(rng, "a", c.after, 50, c.daySD, 2), others)
			if a.Verdict == NotEnoughSwings {
				t.Fatalf("%s: %s", c.name, a.Why)
			}
			if a.Verdict == Changed {
				alarms++
			}
		}
		if rate := float64(alarms) / draws; math.Abs(rate-.05) > within(.05)+c.slack {
			t.Errorf("%s: %.3f of sham changes were found, want 0.050", c.name, rate)
		}
	}
}

// TestDaysForgotten shows what the nesting is for: the plain t test of all
// swings finds a change in half of the seasons without one.
func TestDaysForgotten(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	nested, plain := 0, 0
	const draws = 1000
	for range draws {
		b, a := season(rng, "b", repeat(20, 4), 50, 2, 2), season(rng, "a", repeat(20, 4), 50, 2, 2)
		if Compare(b, a, nil).Verdict == Changed {
			nested++
		}
		for i := range b {
			b[i].Day, a[i].Day = "one", "one"
		}
		if Compare(b, a, nil).Verdict == Changed {
			plain++
		}
	}
	if nested > draws/12 || plain < draws*4/10 {
		t.Errorf("sham changes found: %d nested, %d with days forgotten, of %d", nested, plain, draws)
	}
}

// TestMoreKeepsItsPromise films on for as many days as More says and looks
// whether a true change of that size is then found in four cases of five.
func TestMoreKeepsItsPromise(t *testing.T) {
	const worth, daySD, swingSD = 2.0, .8, 2.0
	// Spreads as they are, not as one lucky month shows them: More is asked with
	// many other hitters' days.
	rng := rand.New(rand.NewPCG(5, 5))
	var others [][]Reading
	for range 60 {
		others = append(others, season(rng, "o", repeat(10, 6), 0, daySD, swingSD))
	}
	before, after := season(rng, "b", repeat(10, 4), 50, daySD, swingSD), season(rng, "a", repeat(10, 1), 50, daySD, swingSD)
	days, each, ok := More(before, after, others, worth)
	if !ok || each != 10 || days < 1 || days > 6 {
		t.Fatalf("More = %d days of %d, %v", days, each, ok)
	}
	const draws = 2000
	found := 0
	for range draws {
		b := season(rng, "b", repeat(10, 4), 50, daySD, swingSD)
		a := season(rng, "a", repeat(10, 1+days), 50+worth, daySD, swingSD)
		if Compare(b, a, others).Verdict == Changed {
			found++
		}
	}
	if rate := float64(found) / draws; rate < .77 || rate > .97 {
		t.Errorf("after %d more days %.2f of true changes were found, want .80 or a little more", days, rate)
	}
}

func TestNotEnough(t *testing.T) {
	for _, c := range []struct {
		name          string
		before, after []Reading
		want          Verdict
	}{
		{"nothing before", nil, day("1", 5, 50, 1), NotEnoughSwings},
		{"nothing at all", nil, nil, NotEnoughSwings},
		{"one swing each", day("1", 1, 50, 0), day("2", 1, 60, 0), NotEnoughSwings},
		// However many swings: two evenings cannot say what an evening changes.
		{"one day each", day("1", 40, 50, 1), day("2", 40, 60, 1), NotEnoughSwings},
		{"the same day", day("1", 10, 50, 1), day("1", 10, 60, 1), Changed},
		{"the same day, little", day("1", 10, 50, 1), day("1", 10, 50.1, 1), NoDetectable},
		{"equal to the last digit", day("1", 5, 50, 0), day("1", 5, 51, 0), NotEnoughSwings},
	} {
		if a := Compare(c.before, c.after, nil); a.Verdict != c.want || a.Why == "" {
			t.Errorf("%s: %s (%s), want %s", c.name, a.Verdict, a.Why, c.want)
		}
	}
	if _, _, ok := More(nil, nil, nil, 1); ok {
		t.Error("More knows something from nothing")
	}
}

func TestHolm(t *testing.T) {
	in := []Answer{{Verdict: Changed, P: .04}, {Verdict: Changed, P: .001}, {Verdict: NotEnoughSwings, P: math.NaN()}, {Verdict: Changed, P: .03}, {Verdict: NoDetectable, P: .6}}
	// Four p: .001 <= .05/4 stays; .03 > .05/3 falls, and .04 with it.
	want := []Verdict{NoDetectable, Changed, NotEnoughSwings, NoDetectable, NoDetectable}
	for i, a := range Holm(in) {
		if a.Verdict != want[i] {
			t.Errorf("answer %d: %s, want %s", i, a.Verdict, want[i])
		}
	}
	if in[0].Verdict != Changed {
		t.Error("Holm changed its argument")
	}
}
