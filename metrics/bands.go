package metrics

import (
	_ "embed"
	"encoding/json"
	"fmt"

	"nightcage/vision"
)

// Band is a published value for a population: context for a number, not a mark
// out of ten. Spread is one standard deviation where the source gives one.
type Band struct {
	Measure    string       `json:"measure"`
	Level      vision.Level `json:"level"`
	Mean       float64      `json:"mean"` // in the measure's unit
	SD         *float64     `json:"sd"`   // null where the source gives none
	Low        *float64     `json:"low"`  // a range where the source gives one
	High       *float64     `json:"high"`
	N          int          `json:"n"`
	Population string       `json:"population"`
	Method     string       `json:"method"` // how it was measured there, where that differs from here
	Source     string       `json:"source"`
}

//go:embed bands.json
var bandsJSON []byte

var bands = func() []Band {
	var out []Band
	if err := json.Unmarshal(bandsJSON, &out); err != nil {
		panic(fmt.Sprintf("metrics: embedded bands.json: %v", err))
	}
	return out
}()

// Bands lists every reference band.
func Bands() []Band { return append([]Band(nil), bands...) }

// bandFor returns the band of a measure at a level of play, nil where there is
// none or the level was not told.
func bandFor(id string, level vision.Level) *Band {
	for _, b := range bands {
		if b.Measure == id && b.Level == level && level != "" {
			return &b
		}
	}
	return nil
}
