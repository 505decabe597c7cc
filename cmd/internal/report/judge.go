package report

import (
	"fmt"
	"io"
	"strings"

	"nightcage/cmd/internal/judge"
)

// Judgement prints a judge's report as a table.
func Judgement(w io.Writer, r judge.Report) error {
	p := printer{w: w}
	p.f("%d clips judged\n", r.Clips)
	for _, f := range r.Failed {
		p.f("no result: %s: %s\n", f.Clip, f.Reason)
	}
	p.table(quantityRows(r.Quantities))
	p.reliability(r.Reliability)
	p.f("\n")
	rows := []string{"SPLIT BY\tCLIPS\tTIP IN\tKNOB IN\tBAT ANGLE DEG\tLANDMARK IN\tCONTACT FRAMES\tBAT SPEED\tATTACK DEG"}
	for _, s := range r.Splits {
		cells := []string{s.By + " " + s.Value, fmt.Sprint(s.Clips)}
		for _, id := range splitIDs {
			cells = append(cells, splitCell(s.Quantities, id))
		}
		rows = append(rows, strings.Join(cells, "\t"))
	}
	p.table(rows)
	return p.err
}

// reliability prints what error bars claimed against what errors were: all
// measures in bins of claimed size, then measure by measure.
func (p *printer) reliability(rs []judge.Reliability) {
	if len(rs) == 0 {
		return
	}
	all := rs[0]
	rows := []string{"ALL MEASURES, OVER THEIR USEFUL BOUNDS\tN\tCLAIMED\tACTUAL\tRATIO\tWITHIN 2 SIGMA"}
	for _, b := range all.Bins {
		rows = append(rows, fmt.Sprintf("bars of %.2f to %.2f\t%d\t%.2f\t%.2f\t%.2f\t%.0f %%", b.From, b.To, b.N, b.Claimed, b.Actual, b.Actual/b.Claimed, 100*b.Within2))
	}
	p.f("\n")
	p.table(rows)
	p.f("where truths fall in the predicted distribution, by tenths (10 %% each when right):")
	for _, share := range all.Transform {
		p.f(" %.0f", 100*share)
	}
	p.f("\n\n")
	rows = []string{"ERROR BARS\tN\tCLAIMED\tACTUAL\tRATIO\tWITHIN 1\tWITHIN 2\tSLOPE"}
	for _, r := range rs {
		rows = append(rows, fmt.Sprintf("%s\t%d\t%.2f\t%.2f\t%.2f\t%.0f %%\t%.0f %%\t%.2f", r.ID, r.N, r.Claimed, r.Actual, r.Ratio, 100*r.Within1, 100*r.Within2, r.Slope))
	}
	p.table(rows)
}

// splitIDs are the quantities that splits are shown in: median, and 95th
// percentile of those with many values.
var splitIDs = []string{"tip_swing_in", "knob_swing_in", "bat_angle_deg", "landmark_in", "event.contact_frames",
	"measure.bat_speed_contact", "measure.attack_angle_contact"}

func splitCell(qs []judge.Quantity, id string) string {
	for _, q := range qs {
		switch {
		case q.ID != id:
		case q.N == 0:
			return "-"
		case q.MedianRel != nil:
			return percent(q.MedianRel, 1)
		case q.N < 20:
			return fmt.Sprintf("%.2f", q.Median)
		default:
			return fmt.Sprintf("%.2f / %.2f", q.Median, q.P95)
		}
	}
	return "-"
}

func quantityRows(qs []judge.Quantity) []string {
	rows := []string{"QUANTITY\tUNIT\tN\tMEDIAN\tP95\tMEDIAN REL\tBIAS\tUNAVAILABLE\t95 % HOLDS"}
	for _, q := range qs {
		if q.N == 0 {
			rows = append(rows, fmt.Sprintf("%s\t%s\t0\t-\t-\t-\t-\t%d\t-", q.ID, q.Unit, q.Unavailable))
			continue
		}
		rows = append(rows, fmt.Sprintf("%s\t%s\t%d\t%.2f\t%.2f\t%s\t%s\t%d\t%s", q.ID, q.Unit, q.N, q.Median, q.P95,
			percent(q.MedianRel, 1), plain(q.Bias), q.Unavailable, percent(q.Coverage95, 0)))
	}
	return rows
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
