package metrics

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"strconv"
	"sync"

	"nightcage/metrics/internal/coachfile"
	"nightcage/vision"
)

// Band is a published value for a population: context for a number, not a mark
// out of ten.
type Band struct {
	Measure    string       `json:"measure" yaml:"measure"`
	Level      vision.Level `json:"level" yaml:"level"`
	Mean       float64      `json:"mean" yaml:"mean"` // in the measure's unit
	SD         *float64     `json:"sd" yaml:"sd"`     // one standard deviation; null where the source gives none
	Low        *float64     `json:"low" yaml:"low"`   // a range where the source gives one
	High       *float64     `json:"high" yaml:"high"`
	N          int          `json:"n" yaml:"n"`
	Population string       `json:"population" yaml:"population"`
	Method     string       `json:"method" yaml:"method"` // how it was measured there, where that differs from here
	Source     string       `json:"source" yaml:"source"`
}

// Bands are reference bands, one for a measure at a level of play.
type Bands []Band

//go:embed bands.yaml
var bandsYAML []byte

//go:embed bands.schema.json
var bandsSchema []byte

var bandsFormat = coachfile.NewFormat("urn:nightcage:bands:1", bandsSchema)

// ShippedBandsYAML returns the file of the bands that come with the program.
func ShippedBandsYAML() []byte { return bytes.Clone(bandsYAML) }

// ShippedBands returns the bands that come with the program.
func ShippedBands() Bands { return append(Bands(nil), shippedBands()...) }

var shippedBands = sync.OnceValue(func() Bands {
	b, err := LoadBands("bands.yaml", bandsYAML)
	if err != nil {
		panic("metrics: embedded " + err.Error())
	}
	return b
})

// LoadBands reads a file of bands. name is what errors call it. The error joins
// one line for each thing that is wrong, as "name:line: where: what".
func LoadBands(name string, text []byte) (Bands, error) {
	var read struct {
		Bands Bands `yaml:"bands"`
	}
	f, err := bandsFormat.Read(name, text, &read)
	if err != nil {
		return nil, err
	}
	var errs []error
	for i, b := range read.Bands {
		at := func(key string) []string { return []string{"bands", strconv.Itoa(i), key} }
		if _, ok := Lookup(b.Measure); !ok {
			errs = append(errs, f.Wrong(at("measure"), fmt.Sprintf("there is no measure %q; `nightcage measures` lists them all", b.Measure)))
		}
		if read.Bands[:i].For(b.Measure, b.Level) != nil {
			errs = append(errs, f.Wrong(at("level"), fmt.Sprintf("a second band for %s, %s", b.Measure, b.Level)))
		}
		if b.Low != nil && !(*b.Low <= b.Mean && b.Mean <= *b.High) {
			errs = append(errs, f.Wrong(at("mean"), fmt.Sprintf("%g is not between low, %g, and high, %g", b.Mean, *b.Low, *b.High)))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return read.Bands, nil
}

// With returns b and own, those of own in place of those of b for the same
// measure and level.
func (b Bands) With(own Bands) Bands {
	var out Bands
	for _, x := range b {
		if own.For(x.Measure, x.Level) == nil {
			out = append(out, x)
		}
	}
	return append(out, own...)
}

// For returns the band of a measure at a level of play, nil where there is none
// or the level was not told.
func (b Bands) For(measure string, level vision.Level) *Band {
	for _, x := range b {
		if x.Measure == measure && x.Level == level && level != "" {
			return &x
		}
	}
	return nil
}

// bandFor is For among the bands that ship.
func bandFor(id string, level vision.Level) *Band { return shippedBands().For(id, level) }
