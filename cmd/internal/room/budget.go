package room

import (
	"cmp"
	"maps"
	"math"
	"net/http"
	"slices"
	"time"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/worker/analysis"
)

// budgetDraws tells a share to some 10 % of itself, 1/sqrt(budgetDraws/2) of a
// variance: enough to see what an error bar comes from.
const budgetDraws = 200

// budget sends, for each measure, which source gives what share of its variance,
// largest first, in per cent; shares under a half are left out. Records are stored
// without it: it takes as long again as measuring for each source.
func (rm *Room) budget(w http.ResponseWriter, r *http.Request) error {
	s, _, _, err := rm.version(r)
	if err != nil {
		return err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return err
	}
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(measureWithin)); err != nil {
		return err
	}
	rm.again.Lock()
	defer rm.again.Unlock()
	o := metrics.Options{Budget: true, Draws: budgetDraws}
	var again metrics.Swing
	if s.As != nil {
		_, _, again, err = correct.Measure(r.Context(), st.Track, st.Timeline, s.As.Correction, o)
	} else {
		_, again, err = analysis.Measure(r.Context(), st.Track, st.Timeline, o)
	}
	if err != nil {
		return err
	}
	out := map[string][][2]any{}
	for _, m := range again.Measures {
		for _, src := range slices.SortedFunc(maps.Keys(m.Budget), func(a, b metrics.SourceOfError) int {
			return cmp.Or(cmp.Compare(m.Budget[b], m.Budget[a]), cmp.Compare(a, b))
		}) {
			if pc := math.Round(100 * m.Budget[src]); pc > 0 {
				out[m.ID] = append(out[m.ID], [2]any{src.Words(), pc})
			}
		}
	}
	return sendJSON(w, out)
}
