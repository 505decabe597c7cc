package rules

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/vision"
)

// swingOf is a record with these values, each with a standard uncertainty.
func swingOf(values map[string][2]float64) metrics.Swing {
	var s metrics.Swing
	for _, d := range metrics.Catalogue() {
		r := metrics.Result{ID: d.ID, Unit: d.Unit, Grade: metrics.GradeUnavailable, ReasonText: "not seen"}
		if v, ok := values[d.ID]; ok {
			low, high := v[0]-1.96*v[1], v[0]+1.96*v[1]
			r.Value, r.Sigma, r.Low95, r.High95, r.Grade, r.ReasonText = &v[0], &v[1], &low, &high, metrics.GradeMeasured, ""
		}
		s.Measures = append(s.Measures, r)
	}
	return s
}

// heel is a swing in which the first shipped chain shows plainly.
func heel() map[string][2]float64 {
	return map[string][2]float64{
		"back_heel_lift_bat_parallel": {6, .5},
		"head_forward_contact":        {6, .5},
		"attack_angle_contact":        {-3, 1.5},
	}
}

// applied is a swing held against the shipped chains, or some of their own.
func applied(values map[string][2]float64, chains ...Chain) metrics.Swing {
	set := *Shipped()
	if len(chains) > 0 {
		set.Chains = chains
	}
	s := swingOf(values)
	set.Apply(&s)
	return s
}

func TestRaised(t *testing.T) {
	s := applied(heel())
	if len(s.Findings) != 1 || s.Findings[0].ID != "back_heel_early" || !s.Findings[0].First {
		t.Fatalf("found %+v", s.Findings)
	}
	f := s.Findings[0]
	if len(f.Links) != 3 || f.Links[2].Limit != 4 || f.Links[2].Side != metrics.Below || f.Links[2].Value != -3 {
		t.Errorf("links %+v", f.Links)
	}
	for _, l := range f.Links {
		if f.Surety > l.Surety {
			t.Errorf("the chain is surer (%v) than its link %s (%v)", f.Surety, l.Measure, l.Surety)
		}
	}
	if f.Surety < .99 {
		t.Errorf("surety %v of links all four or more uncertainties beyond", f.Surety)
	}
	if s.Rules == nil || s.Rules.Name != ShippedName || s.Rules.SHA256 != Shipped().SHA256 {
		t.Errorf("the record names %+v", s.Rules)
	}
	if n := len(Shipped().Chains); len(s.NotRaised) != n-1 {
		t.Errorf("%d chains not raised of %d", len(s.NotRaised), n)
	}
}

// TestEveryLinkCounts takes each link of each shipped chain back inside its
// limit, onto its error bar and away, and wants the chain gone each time.
func TestEveryLinkCounts(t *testing.T) {
	for _, c := range Shipped().Chains {
		plain := map[string][2]float64{}
		toward := map[string]float64{}
		for _, l := range c.Links {
			side, limit := l.side("")
			sign := 1.0
			if side == metrics.Below {
				sign = -1
			}
			plain[l.Measure], toward[l.Measure] = [2]float64{limit + sign*10, 1}, sign
		}
		if len(applied(plain, c).Findings) != 1 {
			t.Errorf("%s: not raised with every link ten uncertainties beyond", c.ID)
		}
		for _, l := range c.Links {
			_, limit := l.side("")
			for _, v := range []struct {
				because metrics.Because
				value   *[2]float64
				says    string
			}{
				{metrics.BecauseWithin, &[2]float64{limit - toward[l.Measure]*3, 1}, ", not "},
				{metrics.BecauseUnsure, &[2]float64{limit - toward[l.Measure]*1.5, 1}, "too uncertain to say"},
				{metrics.BecauseUnsure, &[2]float64{limit + toward[l.Measure]*1.5, 1}, "too uncertain to say"},
				{metrics.BecauseUnmeasured, nil, ": not seen"},
			} {
				values := map[string][2]float64{}
				for k, x := range plain {
					values[k] = x
				}
				delete(values, l.Measure)
				if v.value != nil {
					values[l.Measure] = *v.value
				}
				s := applied(values, c)
				if len(s.Findings) != 0 || len(s.NotRaised) != 1 {
					t.Fatalf("%s: link %s %s: raised", c.ID, l.Measure, v.because)
				}
				if n := s.NotRaised[0]; n.Because != v.because || n.Measure != l.Measure || !strings.Contains(n.Why, v.says) {
					t.Errorf("%s: link %s: %+v, want %s", c.ID, l.Measure, n, v.because)
				}
			}
		}
	}
}

// TestTheLinkThatDecides: a chain with one link clearly within does not show,
// whatever else is open.
func TestTheLinkThatDecides(t *testing.T) {
	chain := Shipped().Chains[0]
	for _, c := range []struct {
		name                string
		heel, head, attack  [2]float64
		wantBecause         metrics.Because
		wantMeasureOfTheTwo string
	}{
		{"unsure, within", [2]float64{4, 2}, [2]float64{0, .5}, [2]float64{-3, 1}, metrics.BecauseWithin, "head_forward_contact"},
		{"unsure, unmeasured", [2]float64{4, 2}, [2]float64{6, .5}, [2]float64{}, metrics.BecauseUnmeasured, "attack_angle_contact"},
		{"unmeasured, within", [2]float64{}, [2]float64{6, .5}, [2]float64{9, 1}, metrics.BecauseWithin, "attack_angle_contact"},
		{"two unsure: the earlier", [2]float64{4, 2}, [2]float64{4, 2}, [2]float64{-3, 1}, metrics.BecauseUnsure, "back_heel_lift_bat_parallel"},
	} {
		values := map[string][2]float64{}
		for i, v := range [][2]float64{c.heel, c.head, c.attack} {
			if v[1] > 0 {
				values[chain.Links[i].Measure] = v
			}
		}
		if n := applied(values, chain).NotRaised; len(n) != 1 || n[0].Because != c.wantBecause || n[0].Measure != c.wantMeasureOfTheTwo {
			t.Errorf("%s: %+v", c.name, n)
		}
	}
}

// TestGuardBand draws swings that lie exactly on every limit: JCGM 106:2012
// guards a decision so that a conforming item is refused no more often than
// stated, here one link in twenty.
func TestGuardBand(t *testing.T) {
	rng := rand.New(rand.NewPCG(106, 2012))
	c := Chain{ID: "one", Links: []Limit{{Measure: "bat_speed_contact", Above: new(float64)}}}
	*c.Links[0].Above = 60
	const draws = 20000
	var s metrics.Swing
	raised := 0
	for range draws {
		v, u := 60+2*rng.NormFloat64(), 2.0
		low, high := v-1.96*u, v+1.96*u
		s.Measures = []metrics.Result{{ID: "bat_speed_contact", Value: &v, Sigma: &u, Low95: &low, High95: &high}}
		if _, stop := look(&s, c); stop == nil {
			raised++
		}
	}
	if rate := float64(raised) / draws; math.Abs(rate-.05) > .006 {
		t.Errorf("raised at the limit: %.4f, want .05", rate)
	}
}

func TestFirstIsTheEarliest(t *testing.T) {
	values := heel()
	// A chain that starts at toe touch, so before the heel's, which is read at
	// contact.
	values["base_minus_inseam_toe_touch"] = [2]float64{-6, 1}
	s := applied(values)
	firsts := 0
	for _, f := range s.Findings {
		if f.First {
			firsts++
			if f.ID != "narrow_base" || !strings.Contains(f.Why, "begins earliest") || !strings.Contains(f.Why, "back heel up early") {
				t.Errorf("first is %s: %s", f.ID, f.Why)
			}
		} else if f.Why != "" {
			t.Errorf("%s is not first: %s", f.ID, f.Why)
		}
	}
	if firsts != 1 || len(s.Findings) != 2 {
		t.Errorf("%d of %d findings are first", firsts, len(s.Findings))
	}
	// Two that begin together: the surer one.
	values = heel()
	values["spine_tilt_change_contact"] = [2]float64{13, 4}
	for _, f := range applied(values).Findings {
		if f.First != (f.ID == "back_heel_early") || f.First && !strings.Contains(f.Why, "surest") {
			t.Errorf("%s first: %v, %s", f.ID, f.First, f.Why)
		}
	}
}

const ownChain = `chains:
  - id: slow
    name: Slow bat
    links:
      - {measure: bat_speed_contact, below: 60, levels: {youth: 40}, says: The bat is slow, source: "own"}
      - {measure: attack_angle_contact, below: 0, says: and comes down, source: "own"}
    leads_to: Outs
    cue: Swing
    sources: [own]
`

func TestLevels(t *testing.T) {
	set, err := Load("own.yaml", []byte(ownChain))
	if err != nil {
		t.Fatal(err)
	}
	for level, want := range map[vision.Level]int{"": 1, vision.LevelPro: 1, vision.LevelYouth: 0} { // 50 mph is below 60, not below 40
		s := swingOf(map[string][2]float64{"bat_speed_contact": {50, 1}, "attack_angle_contact": {-9, 1}})
		s.Subject.Level = level
		if set.Apply(&s); len(s.Findings) != want {
			t.Errorf("level %q: %d findings, want %d", level, len(s.Findings), want)
		}
	}
}

// TestOwnChains: new ones come after those that ship, one of the same id takes
// its place, and one left out is gone.
func TestOwnChains(t *testing.T) {
	first, second := Shipped().Chains[0].ID, Shipped().Chains[1].ID
	set, err := Load("own.yaml", []byte(ownChain+strings.Replace(strings.TrimPrefix(ownChain, "chains:\n"), "id: slow", "id: "+first, 1)+"leave_out: ["+second+"]\n"))
	if err != nil {
		t.Fatal(err)
	}
	n := len(Shipped().Chains)
	if len(set.Chains) != n || set.Chains[0].ID != first || set.Chains[0].Name != "Slow bat" || set.Chains[n-1].ID != "slow" || indexOf(set.Chains, second) >= 0 {
		t.Errorf("%d chains of %d shipped, one replaced, one new, one left out", len(set.Chains), n)
	}
	again, err := Unpack(set.Pack())
	if err != nil || again.SHA256 != set.SHA256 || again.Name != set.Name || len(again.Chains) != n {
		t.Errorf("handed over: %+v, %v", again, err)
	}
	if again, err := Unpack(Shipped().Pack()); err != nil || again != Shipped() {
		t.Errorf("the shipped rules handed over: %+v, %v", again, err)
	}
	if _, err := Load("own.yaml", append([]byte(ownChain), bytes.Repeat([]byte("#"), MaxBytes)...)); err == nil {
		t.Error("a file above the bound is read")
	}
	if _, err := Load("own.yaml", []byte("leave_out: [back_heel_early, backheel]\n")); err == nil || !strings.Contains(err.Error(), `own.yaml:1: leave_out/1: no chain that ships is called "backheel"`) {
		t.Errorf("leaving out what is not there: %v", err)
	}
}

// TestLoadSaysWhere: file, line and what is wrong.
func TestLoadSaysWhere(t *testing.T) {
	const head = "chains:\n  - id: a\n    name: Name\n    leads_to: Outs\n    cue: Try\n    sources: [own]\n    links:\n"
	const good = "      - {measure: bat_speed_contact, below: 60, says: Slow, source: own}\n"
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "own.yaml:1: the file is empty"},
		{"not yaml", "chains:\n\t- id: a\n", "own.yaml: line 2"},
		{"unknown key", head + good + good + "    color: red\n", "own.yaml:2: chains/0: additional properties 'color' not allowed"},
		{"one link", head + good, "own.yaml:8: chains/0/links: minItems: got 1, want 2"},
		{"no limit", head + good + "      - {measure: bat_speed_contact, says: Slow, source: own}\n", "own.yaml:9: chains/0/links/1: missing property"},
		{"limit is a word", head + good + "      - measure: bat_speed_contact\n        below: slow\n        says: Slow\n        source: own\n", "own.yaml:10: chains/0/links/1/below: got string, want number"},
		{"no such measure", head + good + "      - {measure: bat_sped, below: 60, says: Slow, source: own}\n", `own.yaml:9: chains/0/links/1/measure: there is no measure "bat_sped"`},
		{"effect before cause", head + good + "      - {measure: bat_lean_toe_touch, below: 60, says: Leans, source: own}\n", "own.yaml:9: chains/0/links/1/measure: bat_lean_toe_touch is over before"},
		{"two of a name", head + good + good + strings.TrimPrefix(head, "chains:\n") + good + good, `own.yaml:10: chains/1/id: a second chain is called "a"`},
	} {
		_, err := Load("own.yaml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v\n\twant %s", c.name, err, c.want)
		}
	}
}

func TestShipped(t *testing.T) {
	if n := len(Shipped().Chains); n < 8 {
		t.Fatalf("%d chains ship", n)
	}
	for _, c := range Shipped().Chains {
		for _, l := range c.Links {
			if !strings.Contains(l.Source, "common practice, no source") && !strings.Contains(l.Source, "20") {
				t.Errorf("%s, %s: source %q names neither a year nor common practice", c.ID, l.Measure, l.Source)
			}
		}
	}
}

// TestRecordFits: a record that was held against the rules fits its schema.
func TestRecordFits(t *testing.T) {
	s := metrics.Failed(metrics.Failure{Kind: "none", Text: "not looked at"}, vision.Clip{Name: "a.mp4", SHA256: strings.Repeat("0", 64)},
		vision.Subject{Sport: vision.SportBaseball, Level: vision.LevelYouth, Ball: vision.FromTee}, metrics.Options{Pipeline: "test"})
	s.Status, s.Failure = metrics.StatusMeasured, nil
	for id, v := range heel() {
		for i := range s.Measures {
			if m := &s.Measures[i]; m.ID == id {
				low, high := v[0]-2*v[1], v[0]+2*v[1]
				m.Value, m.Sigma, m.Low95, m.High95, m.Grade, m.Reason = &v[0], &v[1], &low, &high, metrics.GradeMeasured, ""
			}
		}
	}
	Shipped().Apply(&s)
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := metrics.Validate(b); err != nil {
		t.Error(err)
	}
	if m, _ := s.Find("bat_speed_contact"); m.Band == nil || len(s.Findings) == 0 || len(s.NotRaised) == 0 {
		t.Error("the record has no band, no finding or nothing that was not raised: the check shows nothing")
	}
}
