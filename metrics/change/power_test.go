package change

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
)

// powerSeasons is how many seasons stand behind each number of the power table.
const powerSeasons = 1000

// powerCase is a way of filming.
type powerCase struct {
	name          string
	before, after []int   // swings, session by session
	session       float64 // what a session moves all its swings by, in typical errors (standard deviation)
	others        int     // hitters of the team with three sessions of 8 swings each
}

var powerCases = []powerCase{
	{"3 sessions of 8 swings, then 3; sessions differ by half a typical error", repeat(8, 3), repeat(8, 3), .5, 0},
	{"the same; sessions differ by a typical error", repeat(8, 3), repeat(8, 3), 1, 0},
	{"the same; nine team mates are filmed too", repeat(8, 3), repeat(8, 3), 1, 9},
	{"4 sessions of 8, then 1; half a typical error", repeat(8, 4), repeat(8, 1), .5, 0},
	{"1 session of 8, then 1; half a typical error, nine team mates", repeat(8, 1), repeat(8, 1), .5, 9},
	{"6 sessions of one swing, then 6; half a typical error", repeat(1, 6), repeat(1, 6), .5, 0},
}

// found is in how many seasons a true change, in MDC95, is called a change.
func (c powerCase) found(change float64, rng *rand.Rand) (n int) {
	const typical = 1.0
	worth := change * typical * 1.96 * math.Sqrt2
	for range powerSeasons {
		var others [][]Reading
		for range c.others {
			others = append(others, season(rng, "o", repeat(8, 3), 0, c.session, typical))
		}
		if Compare(season(rng, "b", c.before, 50, c.session, typical), season(rng, "a", c.after, 50+worth, c.session, typical), others).Verdict == Changed {
			n++
		}
	}
	return n
}

var powerChanges = []float64{0, 1, 1.5, 2}

// Markers of the table in DEVELOPERS.md.
const powerBegin, powerEnd = "<!-- power:begin -->", "<!-- power:end -->"

// TestPowerTable simulates the table of DEVELOPERS.md anew. Its numbers may differ
// from CPU to CPU by a season or two that falls on the edge; a sham change must be
// found in the promised 50 of 1,000, within four standard errors of a binomial
// count, 28.
func TestPowerTable(t *testing.T) {
	got := "| filmed | sham | 1 \u00d7 MDC95 | 1.5 \u00d7 | 2 \u00d7 |\n|---|---|---|---|---|\n"
	for i, c := range powerCases {
		rng := rand.New(rand.NewPCG(2026, uint64(i)))
		got += "| " + c.name
		for _, change := range powerChanges {
			n := c.found(change, rng)
			got += fmt.Sprintf(" | %d", n)
			if change == 0 && (n < 22 || n > 78) {
				t.Errorf("%s: %d of %d sham changes are found, want 50", c.name, n, powerSeasons)
			}
		}
		got += " |\n"
	}
	t.Logf("\n%s", got)
	raw, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, begin := strings.Cut(string(raw), powerBegin)
	table, _, end := strings.Cut(rest, powerEnd)
	if !begin || !end {
		t.Fatalf("DEVELOPERS.md lacks %s ... %s", powerBegin, powerEnd)
	}
	want, have := strings.Fields(table), strings.Fields(got)
	if len(want) != len(have) {
		t.Fatalf("the table in DEVELOPERS.md is out of date; put there\n%s", got)
	}
	for i := range want {
		a, errA := strconv.Atoi(want[i])
		b, errB := strconv.Atoi(have[i])
		if want[i] != have[i] && (errA != nil || errB != nil || max(a-b, b-a) > 3) {
			t.Fatalf("the table in DEVELOPERS.md is out of date at %q; put there\n%s", want[i], got)
		}
	}
}
