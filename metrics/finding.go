package metrics

import (
	"strconv"
	"strings"
)

// Finding is a chain of causes that showed in this swing: every link lay beyond
// its limit by more than its own uncertainty. It says what usually goes with
// what; one swing cannot prove that the one made the other.
type Finding struct {
	ID      string   `json:"id"`
	Name    string   `json:"name"`     // as a coach says it
	Links   []Link   `json:"links"`    // cause before effect
	LeadsTo string   `json:"leads_to"` // what it usually leads to
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
