package metrics

import (
	"strconv"
	"strings"

	"nightcage/vision"
)

// RulesUsed names the rules that bands, findings and chains not raised rest on;
// see package metrics/rules.
type RulesUsed struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Band is a published value for a population: context for a number, not a mark
// out of ten.
type Band struct {
	Measure    string       `json:"measure" yaml:"measure"`
	Sport      vision.Sport `json:"sport,omitempty" yaml:"sport"` // absent before schema 1.2
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

// NotRaised is a chain of causes that was looked for and not raised.
type NotRaised struct {
	ID      string  `json:"id"`
	Name    string  `json:"name"`
	Because Because `json:"because"`
	Measure string  `json:"measure"` // of the link that stopped it
	Why     string  `json:"why"`     // in words, with the numbers
}

// Because says why a chain was not raised.
type Because string

// Reasons not to raise a chain, the one that decides most first.
const (
	BecauseWithin     Because = "within"     // a link is clearly within its limit: it does not show
	BecauseUnmeasured Because = "unmeasured" // a link could not be measured
	BecauseUnsure     Because = "unsure"     // a link's error bar reaches across its limit
)

// Finding is a chain of causes that showed in this swing: every link lay beyond
// its limit by more than its own uncertainty. It says what goes with what; one
// swing cannot prove that the one made the other.
type Finding struct {
	ID      string   `json:"id"`
	Name    string   `json:"name"`     // as a coach says it
	Links   []Link   `json:"links"`    // cause before effect
	LeadsTo string   `json:"leads_to"` // what it can lead to
	Cue     string   `json:"cue"`      // one thing to try
	Caution string   `json:"caution,omitempty"`
	Surety  float64  `json:"surety"` // at least how likely all links are beyond their limits, given their error bars
	First   bool     `json:"first"`  // the one thing to work on first: at most one finding of a swing
	Why     string   `json:"why,omitempty"`
	Sources []string `json:"sources"` // of the chain as a whole
}

// Side is the side of a limit.
type Side string

// Sides of a limit.
const (
	Above Side = "above"
	Below Side = "below"
)

// Link is one measure of a chain against its limit.
type Link struct {
	Measure string  `json:"measure"`
	Says    string  `json:"says"` // what it means when it is beyond
	Side    Side    `json:"side"`
	Limit   float64 `json:"limit"`  // in Unit
	Source  string  `json:"source"` // of the limit
	Value   float64 `json:"value"`
	Sigma   float64 `json:"sigma"`
	Low95   float64 `json:"low95"`
	High95  float64 `json:"high95"`
	Unit    string  `json:"unit"`
	Surety  float64 `json:"surety"` // how likely it is beyond Limit
}

// Number is a bare number with its unit for people, such as a limit: "3 in",
// "20\u00b0".
func Number(v float64, unit string) string {
	return strings.ReplaceAll(strconv.FormatFloat(v, 'g', -1, 64), "-", "\u2212") + UnitText(unit)
}
