package metrics

import (
	"fmt"
	"strings"
	"sync"

	"nightcage/phases"
)

// Group is the part of the swing a measure speaks of.
type Group string

// The groups, in the order of the catalogue.
const (
	GroupPosture Group = "posture"
	GroupBase    Group = "base"
	GroupTurn    Group = "turn"
	GroupBat     Group = "bat"
	GroupBall    Group = "ball"
	GroupTempo   Group = "tempo"
)

// Groups lists every group in catalogue order.
func Groups() []Group {
	return []Group{GroupPosture, GroupBase, GroupTurn, GroupBat, GroupBall, GroupTempo}
}

// Need says what a measure needs to see.
type Need string

// What a measure can need. A side measure is defined in the plane of +X and +Y
// (as drawn on a picture taken square from the side); it is read from the
// three-dimensional solution where there is one and else from a side view
// within planarYawLimitDeg of square.
const (
	NeedTimes  Need = "times"  // event times alone
	NeedSide   Need = "side"   // a side view, or three dimensions
	NeedSolved Need = "solved" // three dimensions
)

// Definition says what a measure is, so that a reader can recompute it on
// paper from places in the swing frame (see package vision) and event times.
type Definition struct {
	ID         string           `json:"id"`         // snake case, event last
	Name       string           `json:"name"`       // as a coach says it
	Group      Group            `json:"group"`      //
	Unit       string           `json:"unit"`       // trade unit
	UCUM       string           `json:"ucum"`       // its UCUM code
	Definition string           `json:"definition"` //
	Sign       string           `json:"sign"`       // what positive means, or the range
	Events     []phases.EventID `json:"events"`     // that it is read at
	Landmarks  []string         `json:"landmarks"`  // by role: lead is the pitcher's side
	View       Need             `json:"view"`       //
	NeedsClock bool             `json:"needs_clock"`
	NeedsScale bool             `json:"needs_scale"`
	NeedsBat   bool             `json:"needs_bat"`
	// UsefulSigma is the largest standard uncertainty, in Unit, at which the
	// number still helps a coach choose; above it the grade is estimated, above
	// useless times it unavailable. With it two values 3.3 times as far apart are
	// told from each other, each with 95 % confidence (1.645 to either side of
	// their middle): a level swing's attack angle of 6 deg from a home-run swing's
	// 24 (Nathan 2015, second-hand) at 5 deg; the straightening of an adult's lead
	// knee, 59 deg, from a youth's, 32 (Escamilla et al. 2009, J Appl Biomech
	// 25(3):210-218) at 8; their bat speeds, 30 and 25 m/s (the same), at 3.3 mph.
	// A line square to the plate is told from one a third of a right angle open at
	// 10 deg, half a shoe's length of travel from none at 1.5 in. The last two, and
	// bounds set like them, are common practice without a source.
	UsefulSigma float64 `json:"useful_sigma"`
	Source      string  `json:"source"` // of the definition
}

// commonPractice marks a fact of the trade that no publication was found for.
const commonPractice = "common practice, no source"

// entry is a Definition with its formula and how its draws are read.
type entry struct {
	Definition
	formula func(*scene) float64 // in Unit
	turn    bool                 // a heading: draws are taken within half a turn of the value
	extreme bool                 // a largest value or a path length, which scatter can only lengthen, or made of such
	bent    bool                 // an angle of two limbs: sideways scatter can only bend a straight one
	inseam  bool                 // needs the inseam
	height  bool                 // needs the height
	placed  bool                 // an x from the lead ankle, which gets a place's name
}

func entries() []entry {
	var all []entry
	for _, part := range [][]entry{postureEntries(), baseEntries(), turnEntries(), batEntries(), ballEntries(), tempoEntries()} {
		all = append(all, part...)
	}
	return all
}

// Catalogue lists every measure, group by group.
func Catalogue() []Definition {
	var out []Definition
	for _, e := range entries() {
		out = append(out, e.Definition)
	}
	return out
}

var definitions = sync.OnceValue(func() map[string]Definition {
	out := map[string]Definition{}
	for _, d := range Catalogue() {
		out[d.ID] = d
	}
	return out
})

// Lookup returns the definition of a measure.
func Lookup(id string) (Definition, bool) {
	d, ok := definitions()[id]
	return d, ok
}

// MeasuresBegin and MeasuresEnd bound the generated table in the README.
const (
	MeasuresBegin = "<!-- measures:begin -->"
	MeasuresEnd   = "<!-- measures:end -->"
)

// MarkdownTable prints the catalogue as the README shows it, without the
// markers.
func MarkdownTable() string {
	var b strings.Builder
	b.WriteString("| measure | what it is | unit | sign | seen from |\n|---|---|---|---|---|\n")
	for _, d := range Catalogue() {
		fmt.Fprintf(&b, "| `%s` %s | %s | %s | %s | %s |\n", d.ID, d.Name, cell(d.Definition), d.Unit, cell(d.Sign), d.View.words(d))
	}
	return b.String()
}

// cell keeps a bar in a text from ending a table's cell.
func cell(s string) string { return strings.ReplaceAll(s, "|", "\\|") }

func (n Need) words(d Definition) string {
	w := map[Need]string{NeedTimes: "any view", NeedSide: "side, or solved in 3-D", NeedSolved: "solved in 3-D"}[n]
	if d.NeedsClock {
		w += "; known clock"
	}
	return w
}

// eventNames are the events in running text.
var eventNames = map[phases.EventID]string{
	phases.LoadStart: "the start of the load", phases.StrideStart: "the start of the stride", phases.ToeTouch: "toe touch",
	phases.HeelPlant: "heel plant", phases.ForwardMove: "the hands' forward move", phases.BatParallel: "bat parallel",
	phases.Contact: "contact", phases.FullExtension: "full extension", phases.Finish: "the finish",
}
