package room

import (
	"cmp"
	"maps"
	"math"
	"net/http"
	"slices"

	"nightcage/metrics"
	"nightcage/worker/analysis"
)

// budget sends, for each measure, which source gives what share of its variance,
// largest first, in per cent; shares under a half are left out. Records are stored
// without it: it takes as long again as measuring for each source.
func (rm *Room) budget(w http.ResponseWriter, r *http.Request) error {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return err
	}
	_, again, err := analysis.Measure(r.Context(), st.Track, st.Timeline, metrics.Options{Budget: true})
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
