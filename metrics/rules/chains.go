package rules

import (
	"fmt"
	"slices"
	"strconv"

	"nightcage/metrics"
	"nightcage/metrics/internal/coachfile"
	"nightcage/phases"
	"nightcage/vision"
)

// Chain is one chain of causes.
type Chain struct {
	ID      string   `yaml:"id"`
	Name    string   `yaml:"name"`
	Links   []Limit  `yaml:"links"` // cause before effect
	LeadsTo string   `yaml:"leads_to"`
	Cue     string   `yaml:"cue"`
	Caution string   `yaml:"caution"`
	Sources []string `yaml:"sources"`
}

// Limit is one link: a measure and the limit beyond which it counts. Exactly one
// of Above and Below is set.
type Limit struct {
	Measure string                   `yaml:"measure"`
	Above   *float64                 `yaml:"above"` // in the measure's unit
	Below   *float64                 `yaml:"below"`
	Levels  map[vision.Level]float64 `yaml:"levels"` // other limits for some levels of play
	Says    string                   `yaml:"says"`
	Source  string                   `yaml:"source"`
}

// side is the side of the limit, and the limit at a level of play.
func (l Limit) side(level vision.Level) (metrics.Side, float64) {
	side, limit := metrics.Above, l.Above
	if limit == nil {
		side, limit = metrics.Below, l.Below
	}
	if other, ok := l.Levels[level]; ok {
		return side, other
	}
	return side, *limit
}

// checkChains checks that measures exist, that ids differ, and that no link comes
// before its cause.
func checkChains(f coachfile.File, chains []Chain) (errs []error) {
	for i, c := range chains {
		at := []string{"chains", strconv.Itoa(i)}
		if indexOf(chains[:i], c.ID) >= 0 {
			errs = append(errs, f.Wrong(append(at, "id"), fmt.Sprintf("a second chain is called %q", c.ID)))
		}
		last := -1
		for j, l := range c.Links {
			at := slices.Concat(at, []string{"links", strconv.Itoa(j), "measure"})
			d, ok := metrics.Lookup(l.Measure)
			if !ok {
				errs = append(errs, f.Wrong(at, unknown(l.Measure)))
				continue
			}
			end := lastEvent(d)
			if end < last {
				errs = append(errs, f.Wrong(at, fmt.Sprintf("%s is over before the link it should follow from", l.Measure)))
			}
			last = end
		}
	}
	return errs
}

// lastEvent is the place in swing order of the last event that a measure needs: a
// move shows once that has come.
func lastEvent(d metrics.Definition) int {
	last := -1
	for _, e := range d.Events {
		last = max(last, slices.Index(phases.Events(), e))
	}
	return last
}
