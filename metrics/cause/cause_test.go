package cause

import (
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
		"back_heel_lift_largest_contact": {5, .5},
		"head_forward_contact":           {6, .5},
		"spine_tilt_change_contact":      {9, 2},
		"attack_angle_contact":           {-3, 1.5},
	}
}

func TestRaised(t *testing.T) {
	found := Find(swingOf(heel()), Shipped())
	if len(found) != 1 || found[0].ID != "back_heel_early" || !found[0].First {
		t.Fatalf("found %+v", found)
	}
	f := found[0]
	if len(f.Links) != 4 || f.Links[3].Limit != 4 || f.Links[3].Side != metrics.Below || f.Links[3].Value != -3 {
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
		only := Chains{Chains: []Chain{c}}
		if len(Find(swingOf(plain), only)) != 1 {
			t.Errorf("%s: not raised with every link ten uncertainties beyond", c.ID)
		}
		for i, l := range c.Links {
			_, limit := l.side("")
			for _, v := range []struct {
				name  string
				value *[2]float64
				says  string
			}{
				{"within", &[2]float64{limit - toward[l.Measure]*3, 1}, "is not"},
				{"on its error bar", &[2]float64{limit + toward[l.Measure]*1.5, 1}, "error bar"},
				{"not measured", nil, "not measured: not seen"},
			} {
				values := map[string][2]float64{}
				for k, x := range plain {
					values[k] = x
				}
				delete(values, l.Measure)
				if v.value != nil {
					values[l.Measure] = *v.value
				}
				looks := Through(swingOf(values), only)
				if looks[0].Raised != nil || looks[0].Stopped != i || !strings.Contains(looks[0].Why, v.says) {
					t.Errorf("%s: link %s %s: %+v", c.ID, l.Measure, v.name, looks[0])
				}
			}
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
		if look(s, c).Raised != nil {
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
	values["shoulder_tilt_toe_touch"] = [2]float64{12, 2}
	values["barrel_lowest_contact"] = [2]float64{14, 1}
	values["attack_angle_contact"] = [2]float64{-3, 1.5}
	chains := Shipped()
	for i := range chains.Chains {
		if chains.Chains[i].ID == "back_shoulder_drops" {
			chains.Chains[i].Links = chains.Chains[i].Links[:2]
		}
	}
	firsts := 0
	for _, f := range Find(swingOf(values), chains) {
		if f.First {
			firsts++
			if f.ID != "back_shoulder_drops" || !strings.Contains(f.Why, "2 chains") {
				t.Errorf("first is %s: %s", f.ID, f.Why)
			}
		}
	}
	if firsts != 1 {
		t.Errorf("%d findings are first", firsts)
	}
}

func TestLevels(t *testing.T) {
	chains, err := Load("own.yaml", []byte(`chains:
  - id: slow
    name: Slow bat
    links:
      - {measure: bat_speed_contact, below: 60, levels: {youth: 40}, says: The bat is slow, source: "own"}
      - {measure: attack_angle_contact, below: 0, says: and comes down, source: "own"}
    leads_to: Outs
    cue: Swing
    sources: [own]
`))
	if err != nil {
		t.Fatal(err)
	}
	s := swingOf(map[string][2]float64{"bat_speed_contact": {50, 1}, "attack_angle_contact": {-9, 1}})
	if len(Find(s, chains)) != 1 {
		t.Error("50 mph is below 60")
	}
	s.Subject.Level = vision.LevelYouth
	if len(Find(s, chains)) != 0 {
		t.Error("50 mph is not below 40")
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
	if n := len(Shipped().Chains); n < 6 {
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
