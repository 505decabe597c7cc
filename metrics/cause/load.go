package cause

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"

	"nightcage/metrics"
	"nightcage/metrics/internal/coachfile"
	"nightcage/phases"
	"nightcage/vision"
)

// Chains are the chains to look for, in the order of their file.
type Chains struct {
	Chains []Chain `yaml:"chains"`
}

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

//go:embed chains.yaml
var shipped []byte

//go:embed chains.schema.json
var schemaJSON []byte

var format = coachfile.NewFormat("urn:nightcage:chains:1", schemaJSON)

// Shipped returns the chains that come with the program.
func Shipped() Chains { return must() }

// ShippedYAML returns their file, for a coach to start from.
func ShippedYAML() []byte { return bytes.Clone(shipped) }

var must = sync.OnceValue(func() Chains {
	c, err := Load("chains.yaml", shipped)
	if err != nil {
		panic("cause: embedded " + err.Error())
	}
	return c
})

// Load reads a chains file. name is what errors call it. The error joins one
// line for each thing that is wrong, as "name:line: where: what".
func Load(name string, text []byte) (Chains, error) {
	var c Chains
	f, err := format.Read(name, text, &c)
	if err != nil {
		return Chains{}, err
	}
	return c, makesSense(f, c)
}

// makesSense checks what a schema cannot: that measures exist, that ids differ,
// and that no link comes before its cause.
func makesSense(f coachfile.File, c Chains) error {
	var errs []error
	seen := map[string]bool{}
	for i, chain := range c.Chains {
		at := []string{"chains", strconv.Itoa(i)}
		if seen[chain.ID] {
			errs = append(errs, f.Wrong(append(at, "id"), fmt.Sprintf("a second chain is called %q", chain.ID)))
		}
		seen[chain.ID] = true
		last := -1
		for j, l := range chain.Links {
			at := slices.Concat(at, []string{"links", strconv.Itoa(j)})
			d, ok := metrics.Lookup(l.Measure)
			if !ok {
				errs = append(errs, f.Wrong(append(at, "measure"), fmt.Sprintf("there is no measure %q; `nightcage measures` lists them all", l.Measure)))
				continue
			}
			end := lastEvent(d)
			if end < last {
				errs = append(errs, f.Wrong(append(at, "measure"), fmt.Sprintf("%s is over before the link it should follow from", l.Measure)))
			}
			last = end
		}
	}
	return errors.Join(errs...)
}

// lastEvent is the place in swing order of the last event that a measure needs.
func lastEvent(d metrics.Definition) int {
	last := -1
	for _, e := range d.Events {
		last = max(last, slices.Index(phases.Events(), e))
	}
	return last
}
