package cause

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"
	"golang.org/x/text/language"
	"golang.org/x/text/message"

	"nightcage/metrics"
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

var compiled = sync.OnceValues(func() (*jsonschema.Schema, error) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaJSON))
	if err != nil {
		return nil, err
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("urn:nightcage:chains:1", doc); err != nil {
		return nil, err
	}
	return c.Compile("urn:nightcage:chains:1")
})

// Load reads a chains file. name is what errors call it. The error joins one
// line for each thing that is wrong, as "name:line: where: what".
func Load(name string, text []byte) (Chains, error) {
	var root yaml.Node
	if err := yaml.Unmarshal(text, &root); err != nil {
		return Chains{}, fmt.Errorf("%s: %s", name, strings.TrimPrefix(err.Error(), "yaml: "))
	}
	f := file{name: name, root: &root}
	if root.Kind == 0 {
		return Chains{}, errors.New(name + ":1: the file is empty")
	}
	if err := f.fitsSchema(); err != nil {
		return Chains{}, err
	}
	var c Chains
	if err := root.Decode(&c); err != nil {
		return Chains{}, fmt.Errorf("%s: %s", name, strings.TrimPrefix(err.Error(), "yaml: "))
	}
	return c, f.makesSense(c)
}

// file is a parsed file that can say where things stand in it.
type file struct {
	name string
	root *yaml.Node
}

// wrong is an error about the value at a path of keys and indices.
func (f file) wrong(path []string, what string) error {
	where := strings.Join(path, "/")
	if where != "" {
		where += ": "
	}
	return fmt.Errorf("%s:%d: %s%s", f.name, f.line(path), where, what)
}

// line is that of the value at a path, or of the last part of it that exists.
func (f file) line(path []string) int {
	n := f.root.Content[0]
	line := n.Line
	for _, key := range path {
		var next *yaml.Node
		switch n.Kind {
		case yaml.SequenceNode:
			if i, err := strconv.Atoi(key); err == nil && i < len(n.Content) {
				next = n.Content[i]
			}
		case yaml.MappingNode:
			for i := 0; i+1 < len(n.Content); i += 2 {
				if n.Content[i].Value == key {
					line, next = n.Content[i].Line, n.Content[i+1]
				}
			}
		}
		if next == nil {
			break
		}
		n = next
		if n.Kind != yaml.MappingNode || n.Line > line {
			line = n.Line
		}
	}
	return line
}

// fitsSchema holds the file against chains.schema.json.
func (f file) fitsSchema() error {
	s, err := compiled()
	if err != nil {
		return fmt.Errorf("compile the schema of chains: %w", err)
	}
	var doc any
	if err := f.root.Decode(&doc); err != nil {
		return fmt.Errorf("%s: %s", f.name, strings.TrimPrefix(err.Error(), "yaml: "))
	}
	b, err := json.Marshal(doc)
	if err != nil {
		return fmt.Errorf("%s: %w", f.name, err)
	}
	if doc, err = jsonschema.UnmarshalJSON(bytes.NewReader(b)); err != nil {
		return fmt.Errorf("%s: %w", f.name, err)
	}
	err = s.Validate(doc)
	var bad *jsonschema.ValidationError
	if errors.As(err, &bad) {
		return errors.Join(f.leaves(bad)...)
	}
	return err
}

// leaves are the errors without causes of their own: the ones that say something.
func (f file) leaves(e *jsonschema.ValidationError) []error {
	if len(e.Causes) == 0 {
		return []error{f.wrong(e.InstanceLocation, e.ErrorKind.LocalizedString(message.NewPrinter(language.English)))}
	}
	var out []error
	for _, c := range e.Causes {
		out = append(out, f.leaves(c)...)
	}
	return out
}

// makesSense checks what a schema cannot: that measures exist, that ids differ,
// and that no link comes before its cause.
func (f file) makesSense(c Chains) error {
	var errs []error
	seen := map[string]bool{}
	for i, chain := range c.Chains {
		at := []string{"chains", strconv.Itoa(i)}
		if seen[chain.ID] {
			errs = append(errs, f.wrong(append(at, "id"), fmt.Sprintf("a second chain is called %q", chain.ID)))
		}
		seen[chain.ID] = true
		last := -1
		for j, l := range chain.Links {
			at := slices.Concat(at, []string{"links", strconv.Itoa(j)})
			d, ok := metrics.Lookup(l.Measure)
			if !ok {
				errs = append(errs, f.wrong(append(at, "measure"), fmt.Sprintf("there is no measure %q; `nightcage measures` lists them all", l.Measure)))
				continue
			}
			end := lastEvent(d)
			if end < last {
				errs = append(errs, f.wrong(append(at, "measure"), fmt.Sprintf("%s is over before the link it should follow from", l.Measure)))
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
