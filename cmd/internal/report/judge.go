package report

import (
	"fmt"
	"io"

	"nightcage/cmd/internal/judge"
)

// Judgement prints a judge's report as a table.
func Judgement(w io.Writer, r judge.Report) error {
	p := printer{w: w}
	p.f("%d clips judged\n", r.Clips)
	for _, f := range r.Failed {
		p.f("no result: %s: %s\n", f.Clip, f.Reason)
	}
	rows := []string{"QUANTITY\tUNIT\tN\tMEDIAN\tP95\tMEDIAN REL\tBIAS\tUNAVAILABLE\t95 % HOLDS"}
	for _, q := range r.Quantities {
		if q.N == 0 {
			rows = append(rows, fmt.Sprintf("%s\t%s\t0\t-\t-\t-\t-\t%d\t-", q.ID, q.Unit, q.Unavailable))
			continue
		}
		rows = append(rows, fmt.Sprintf("%s\t%s\t%d\t%.2f\t%.2f\t%s\t%s\t%d\t%s", q.ID, q.Unit, q.N, q.Median, q.P95,
			percent(q.MedianRel, 1), plain(q.Bias), q.Unavailable, percent(q.Coverage95, 0)))
	}
	p.table(rows)
	return p.err
}

func plain(x *float64) string {
	if x == nil {
		return "-"
	}
	return fmt.Sprintf("%+.2f", *x)
}

func percent(x *float64, digits int) string {
	if x == nil {
		return "-"
	}
	return fmt.Sprintf("%.*f %%", digits, 100**x)
}
