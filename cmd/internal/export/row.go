package export

import (
	"fmt"
	"math"
	"time"

	"nightcage/cmd/internal/season"
	"nightcage/metrics"
)

// Row is one measure of one swing. Value and what follows from it are null where
// the grade is unavailable.
type Row struct {
	SwingID    string    `parquet:"swing_id,dict"`
	Hitter     string    `parquet:"hitter,dict"`
	Team       string    `parquet:"team,dict"`
	Filmed     time.Time `parquet:"filmed,timestamp(millisecond)"` // noon UTC for a day without a time of day
	FilmedFrom string    `parquet:"filmed_from,dict"`              // told, file or recorded: see season.From
	Session    string    `parquet:"session,dict"`
	Clip       string    `parquet:"clip,dict"`
	ClipSHA256 string    `parquet:"clip_sha256,dict"`
	SwingNo    int32     `parquet:"swing_in_clip"`
	Pipeline   string    `parquet:"pipeline_version,dict"`
	Level      string    `parquet:"level,dict"`
	Bats       string    `parquet:"bats,dict"`
	Camera     string    `parquet:"camera_view,dict"`
	Result     string    `parquet:"result,dict"`
	Measure    string    `parquet:"measure,dict"`
	Name       string    `parquet:"name,dict"`
	Group      string    `parquet:"group,dict"`
	Value      *float64  `parquet:"value,optional"`
	Unit       string    `parquet:"unit,dict"`
	UCUM       string    `parquet:"ucum,dict"`
	Sigma      *float64  `parquet:"sigma,optional"` // standard uncertainty
	Low95      *float64  `parquet:"low95,optional"`
	High95     *float64  `parquet:"high95,optional"`
	Grade      string    `parquet:"grade,dict"`
	Reason     string    `parquet:"reason,dict"`
	ReasonText string    `parquet:"reason_text,dict"`
	ReadFrom   string    `parquet:"read_from,dict"` // solved, planar or times: see metrics.How
	ValueSI    *float64  `parquet:"value_si,optional"`
	SigmaSI    *float64  `parquet:"sigma_si,optional"`
	Low95SI    *float64  `parquet:"low95_si,optional"`
	High95SI   *float64  `parquet:"high95_si,optional"`
	UnitSI     string    `parquet:"unit_si,dict"` // its UCUM code
}

// si are the trade's units in SI, by UCUM code. The inch is 25.4 mm and the mile
// 1609.344 m exactly (NIST SP 811 (2008), appendix B.6).
var si = map[string]struct {
	factor float64
	unit   string
}{
	"[in_i]":   {0.0254, "m"},
	"[mi_i]/h": {1609.344 / 3600, "m/s"},
	"deg":      {math.Pi / 180, "rad"},
	"deg/s":    {math.Pi / 180, "rad/s"},
	"ms":       {1e-3, "s"},
	"%":        {1e-2, "1"},
	"1":        {1, "1"},
}

// Rows lays out swings, a row a measure, swings in the order given and measures
// in that of the record. A record with a unit that this package does not know is
// an error.
func Rows(swings []season.Swing) ([]Row, error) {
	var out []Row
	for _, s := range swings {
		for _, m := range s.Record.Measures {
			r, err := row(s, m)
			if err != nil {
				return nil, err
			}
			out = append(out, r)
		}
	}
	return out, nil
}

func row(s season.Swing, m metrics.Result) (Row, error) {
	to, ok := si[m.UCUM]
	if !ok {
		return Row{}, fmt.Errorf("export swing %s: measure %s has unit %q, which has no SI unit here", s.ID, m.ID, m.UCUM)
	}
	in := func(v *float64) *float64 {
		if v == nil {
			return nil
		}
		x := *v * to.factor
		return &x
	}
	d, _ := metrics.Lookup(m.ID) // a measure since withdrawn has no name or group
	rec := s.Record
	return Row{SwingID: s.ID, Hitter: s.Hitter, Team: s.Team, Filmed: s.At.UTC(), FilmedFrom: string(s.From), Session: s.Session,
		Clip: rec.Clip.Name, ClipSHA256: rec.Clip.SHA256, SwingNo: int32(max(rec.Clip.Swing, 1)), Pipeline: rec.Pipeline,
		Level: string(rec.Subject.Level), Bats: string(rec.Hand.Bats), Camera: string(rec.Sighting.View), Result: string(rec.Timeline.Result),
		Measure: m.ID, Name: d.Name, Group: string(d.Group), Value: m.Value, Unit: m.Unit, UCUM: m.UCUM, Sigma: m.Sigma, Low95: m.Low95, High95: m.High95,
		Grade: string(m.Grade), Reason: string(m.Reason), ReasonText: m.ReasonText, ReadFrom: string(m.View),
		ValueSI: in(m.Value), SigmaSI: in(m.Sigma), Low95SI: in(m.Low95), High95SI: in(m.High95), UnitSI: to.unit}, nil
}
