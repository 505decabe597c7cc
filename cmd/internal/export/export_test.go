package export

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"
	"github.com/xuri/excelize/v2"

	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// swing is a record with one measure of each grade, of a hitter whose name is a
// trial for every format.
func swing() season.Swing {
	f := func(v float64) *float64 { return &v }
	return season.Swing{ID: "0123456789abcdef-1", Hitter: "=Vale, \"Tam\"\nsin", Team: "Cinder Creek Comets", Session: "2026-11-20",
		At: time.Date(2026, 11, 20, 17, 30, 0, 0, time.UTC), From: season.FromTold,
		Record: metrics.Swing{Pipeline: "9.9", Hand: vision.Hand{Bats: vision.SideLeft}, Timeline: phases.Timeline{Kind: phases.KindSwing, Result: phases.ResultHit},
			Measures: []metrics.Result{
				{ID: "bat_speed_contact", Value: f(60), Unit: "mph", UCUM: "[mi_i]/h", Sigma: f(1), Low95: f(58), High95: f(62.04), Grade: metrics.GradeMeasured, View: metrics.HowSolved},
				{ID: "stride_length", Value: f(30), Unit: "in", UCUM: "[in_i]", Sigma: f(2), Low95: f(26), High95: f(34), Grade: metrics.GradeEstimated, Reason: metrics.ReasonWide, ReasonText: "the error bar is wide"},
				{ID: "attack_angle_contact", Unit: "deg", UCUM: "deg", Grade: metrics.GradeUnavailable, Reason: metrics.ReasonBat, ReasonText: metrics.ReasonBat.Words()},
			}}}
}

func rows(t *testing.T) []Row {
	t.Helper()
	r, err := Rows([]season.Swing{swing()})
	if err != nil {
		t.Fatal(err)
	}
	if len(r) != 3 {
		t.Fatalf("%d rows, want 3", len(r))
	}
	return r
}

func TestEveryUnitOfTheCatalogueHasSI(t *testing.T) {
	for _, d := range metrics.Catalogue() {
		if _, ok := si[d.UCUM]; !ok {
			t.Errorf("%s: unit %s has no SI unit", d.ID, d.UCUM)
		}
	}
	s := swing()
	s.Record.Measures[0].UCUM = "[lb_av]"
	if _, err := Rows([]season.Swing{s}); err == nil {
		t.Error("a unit that is not known was exported")
	}
}

// NIST SP 811 (2008), appendix B.8: mile per hour 4.4704 E-01 m/s, inch 2.54 E-02
// m, degree 1.745 329 E-02 rad.
func TestSIFactorsArePublishedOnes(t *testing.T) {
	for ucum, want := range map[string]float64{"[mi_i]/h": 0.44704, "[in_i]": 0.0254, "deg": 1.745329e-2} {
		if got := si[ucum].factor; math.Abs(got/want-1) > 2e-7 {
			t.Errorf("%s: factor %v, want %v", ucum, got, want)
		}
	}
}

func TestCSVReadsBack(t *testing.T) {
	var b bytes.Buffer
	want := rows(t)
	if err := CSV(&b, want); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := func(line int, column string) string { return lines[line][slices.Index(Columns(), column)] }
	if got := at(1, "hitter"); got != want[0].Hitter {
		t.Errorf("hitter %q, want %q", got, want[0].Hitter)
	}
	for _, c := range []struct {
		column string
		line   int
		want   string
	}{{"value", 1, "60"}, {"high95", 1, "62.04"}, {"value_si", 1, strconv.FormatFloat(60*0.44704, 'g', -1, 64)}, {"unit_si", 1, "m/s"},
		{"filmed", 2, "2026-11-20T17:30:00Z"}, {"grade", 2, "estimated"}, {"value", 3, ""}, {"sigma_si", 3, ""}, {"reason", 3, "bat_not_seen"}} {
		if got := at(c.line, c.column); got != c.want {
			t.Errorf("line %d, %s: %q, want %q", c.line, c.column, got, c.want)
		}
	}
}

func TestParquetReadsBack(t *testing.T) {
	var b bytes.Buffer
	want := rows(t)
	if err := Parquet(&b, want); err != nil {
		t.Fatal(err)
	}
	file, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range file.Schema().Fields() {
		names = append(names, f.Name())
	}
	if d := cmp.Diff(Columns(), names); d != "" {
		t.Error("columns (-want +got):\n", d)
	}
	got, err := parquet.Read[Row](bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error("rows (-want +got):\n", d)
	}
}

func TestWorkbookReadsBack(t *testing.T) {
	var b bytes.Buffer
	if err := Workbook(&b, []season.Swing{swing()}); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	tidy, err := f.GetRows(sheetMeasures)
	if err != nil {
		t.Fatal(err)
	}
	if len(tidy) != 2+3 {
		t.Fatalf("%d lines of measures, want 5", len(tidy))
	}
	column := slices.Index(tidy[0], "value")
	if tidy[1][column] != "see unit" || tidy[2][column] != "60" || tidy[4][column] != "" {
		t.Errorf("values %q, %q, %q", tidy[1][column], tidy[2][column], tidy[4][column])
	}
	wide, err := f.GetRows(sheetSwings)
	if err != nil {
		t.Fatal(err)
	}
	column = slices.Index(wide[1], "bat_speed_contact")
	if got := []string{wide[2][column], wide[3][column], wide[2][column+1], wide[3][column+1]}; !slices.Equal(got, []string{"mph", "60.0", "mph", "2.0"}) && !slices.Equal(got, []string{"mph", "60", "mph", "2"}) {
		t.Errorf("bat speed's columns hold %q", got)
	}
	// A name that looks like a formula must stay a name.
	hitter, err := excelize.CoordinatesToCellName(slices.Index(wide[1], "hitter")+1, 4)
	if err != nil {
		t.Fatal(err)
	}
	if formula, err := f.GetCellFormula(sheetSwings, hitter); err != nil || formula != "" || wide[3][1] != swing().Hitter {
		t.Errorf("hitter %q, formula %q, error %v", wide[3][1], formula, err)
	}
	if all, err := f.GetRows(sheetAbout); err != nil || len(all) < 2+len(metrics.Catalogue()) {
		t.Errorf("%d lines about the measures, error %v", len(all), err)
	}
}

func TestWorkbookRefusesMoreThanASheetHolds(t *testing.T) {
	s := swing()
	s.Record.Measures = slices.Repeat(s.Record.Measures, 1000)
	err := Workbook(io.Discard, slices.Repeat([]season.Swing{s}, 350)) // the swings share one slice
	if !errors.Is(err, ErrTooManyRows) {
		t.Errorf("error %v, want %v", err, ErrTooManyRows)
	}
}

func track(t *testing.T, clip string) vision.Track {
	t.Helper()
	f, err := truth.Read(filepath.Join("..", "..", "..", "testdata", "clips", clip+".json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	tr, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return *tr
}

// trcFile is what a reader written from the OpenSim documentation's description of
// the format finds; no package for TRC was found that could read it instead.
type trcFile struct {
	rate    float64
	units   string
	markers []string
	times   []float64
	at      [][][3]float64 // NaN where empty
}

func readTRC(t *testing.T, r io.Reader) trcFile {
	t.Helper()
	var lines [][]string
	for sc := bufio.NewScanner(r); sc.Scan(); {
		lines = append(lines, strings.Split(sc.Text(), "\t"))
	}
	num := func(s string) float64 {
		if s == "" {
			return math.NaN()
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	head := map[string]string{}
	for i, k := range lines[1] {
		head[k] = lines[2][i]
	}
	f := trcFile{rate: num(head["DataRate"]), units: head["Units"]}
	for i := 2; i < len(lines[3]); i += 3 {
		if lines[3][i] != "" {
			f.markers = append(f.markers, lines[3][i])
		}
	}
	if n := num(head["NumMarkers"]); int(n) != len(f.markers) {
		t.Fatalf("%d markers named, head says %v", len(f.markers), n)
	}
	for i, l := range lines[6:] {
		if len(l) != 2+3*len(f.markers) || l[0] != strconv.Itoa(i+1) {
			t.Fatalf("row %d has %d fields and number %s", i+1, len(l), l[0])
		}
		f.times = append(f.times, num(l[1]))
		var row [][3]float64
		for m := range f.markers {
			row = append(row, [3]float64{num(l[2+3*m]), num(l[3+3*m]), num(l[4+3*m])})
		}
		f.at = append(f.at, row)
	}
	if n := num(head["NumFrames"]); int(n) != len(f.times) {
		t.Fatalf("%d frames, head says %v", len(f.times), n)
	}
	return f
}

func TestTRCReadsBack(t *testing.T) {
	tr := track(t, "s77001_04")
	if tr.Hand.Bats != vision.SideRight {
		t.Fatal("the clip's hitter should bat right-handed")
	}
	tr.Solution.Frames[3].Knob.Valid = false
	var b bytes.Buffer
	if err := TRC(&b, "a.trc", tr); err != nil {
		t.Fatal(err)
	}
	f := readTRC(t, &b)
	if f.units != "mm" || f.rate != tr.Clip.Clock.CaptureFPS || len(f.times) != len(tr.Frames) {
		t.Fatalf("units %s, rate %v, %d frames", f.units, f.rate, len(f.times))
	}
	knob, hip := slices.Index(f.markers, "bat_knob"), slices.Index(f.markers, "left_hip")
	for i, p := range tr.Solution.Frames {
		if want := (tr.Frames[i].Ms - tr.Frames[0].Ms) / 1000; math.Abs(f.times[i]-want) > 1e-6 {
			t.Errorf("frame %d at %v s, want %v", i, f.times[i], want)
		}
		q := p.Body[vision.LeftHip]
		for axis, want := range [3]float64{q.X, q.Y, q.Z} {
			if got := f.at[i][hip][axis] / 25.4; math.Abs(got-want) > 1e-4 {
				t.Errorf("frame %d, axis %d: %v in, want %v", i, axis, got, want)
			}
		}
		if missing := math.IsNaN(f.at[i][knob][0]); missing != (i == 3) {
			t.Errorf("frame %d: knob missing %v", i, missing)
		}
	}
}

// A mirrored skeleton has its left side on the right. Seen along the way he faces,
// a hitter's left hip is to the left: with up, the nose's direction and the line of
// hips it makes a right-handed frame whatever side he bats from.
func TestLeftHandedHittersAreTurnedBack(t *testing.T) {
	hands := map[vision.Side]int{}
	for _, clip := range []string{"s77001_00", "s77001_04", "s77001_06", "s77001_09"} {
		tr := track(t, clip)
		hands[tr.Hand.Bats]++
		var b bytes.Buffer
		if err := TRC(&b, "a.trc", tr); err != nil {
			t.Fatal(err)
		}
		f := readTRC(t, &b)
		at := func(l vision.Landmark) [3]float64 { return f.at[0][l] }
		nose, le, re, lh, rh := at(vision.Nose), at(vision.LeftEar), at(vision.RightEar), at(vision.LeftHip), at(vision.RightHip)
		facing := [2]float64{nose[0] - (le[0]+re[0])/2, nose[2] - (le[2]+re[2])/2}
		toLeft := [2]float64{lh[0] - rh[0], lh[2] - rh[2]}
		// y of facing x toLeft, in x and z: up when left is left
		if up := facing[1]*toLeft[0] - facing[0]*toLeft[1]; up <= 0 {
			t.Errorf("%s, bats %s: facing %v, left hip from right %v: mirrored", clip, tr.Hand.Bats, facing, toLeft)
		}
	}
	if hands[vision.SideLeft] == 0 || hands[vision.SideRight] == 0 {
		t.Errorf("hitters bat %v, want both sides", hands)
	}
}

func TestTRCSaysWhyNot(t *testing.T) {
	tr := track(t, "s77001_04")
	tr.Clip.Clock.Known = false
	if err := TRC(io.Discard, "a", tr); !errors.Is(err, ErrNoClock) {
		t.Errorf("no clock: %v", err)
	}
	tr = track(t, "s77001_04")
	tr.Solution = nil
	if err := TRC(io.Discard, "a", tr); !errors.Is(err, ErrNoSolution) {
		t.Errorf("no solution: %v", err)
	}
	if err := TRC(full{}, "a", track(t, "s77001_04")); !errors.Is(err, os.ErrClosed) {
		t.Errorf("writer's error: %v", err)
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, os.ErrClosed }

// Of a track that leaves out pictures the files hold as many samples as the clip's rate
// has: those of the whole track where it was looked at, close by elsewhere. In C3D a
// residual of 0 says that a point is interpolated (c3d.org, Notes for programmers).
func TestPicturesLeftOutAreInterpolated(t *testing.T) {
	whole := track(t, "s77001_04")
	tl, err := phases.Find(whole)
	if err != nil {
		t.Fatal(err)
	}
	contact := 0.0
	for _, e := range tl.Events {
		if e.ID == phases.Contact && e.Found {
			contact = e.Ms
		}
	}
	some := truth.Sparse(whole, contact)
	var trc, trcWhole, points bytes.Buffer
	if err := errors.Join(TRC(&trc, "a.trc", some), TRC(&trcWhole, "a.trc", whole), C3D(&points, some, tl)); err != nil {
		t.Fatal(err)
	}
	got, want, c3d := readTRC(t, &trc), readTRC(t, &trcWhole), readC3D(t, points.Bytes())
	last, _ := whole.LookedAt(some.Frames[len(some.Frames)-1].Index)
	if n := last + 1; len(got.times) != n || len(c3d.points) != n || len(some.Frames) > n*4/5 {
		t.Fatalf("%d rows, %d frames of %d pictures, %d looked at", len(got.times), len(c3d.points), n, len(some.Frames))
	}
	tip := slices.Index(got.markers, "bat_tip")
	for i, row := range got.at {
		_, looked := some.LookedAt(whole.Frames[i].Index)
		near := 4.0 // mm: vision.Track.Between
		if looked {
			near = 0.001
		}
		if math.Abs(got.times[i]-want.times[i]) > 1e-6 {
			t.Errorf("row %d at %v s, want %v", i, got.times[i], want.times[i])
		}
		for axis := range 3 {
			if d := math.Abs(row[tip][axis] - want.at[i][tip][axis]); !(d <= near) {
				t.Errorf("row %d, axis %d: the tip is %.3f mm off, looked at: %v", i, axis, d, looked)
			}
		}
		if r := c3d.points[i][tip].residual; r < 0 || (r > 0) != looked {
			t.Errorf("frame %d: residual %v, looked at: %v", i, r, looked)
		}
	}
	// A stretch that nobody looked at is empty.
	some.Frames, some.Solution.Frames = slices.Delete(some.Frames, 10, 20), slices.Delete(some.Solution.Frames, 10, 20)
	trc.Reset()
	points.Reset()
	if err := errors.Join(TRC(&trc, "a.trc", some), C3D(&points, some, tl)); err != nil {
		t.Fatal(err)
	}
	got, c3d = readTRC(t, &trc), readC3D(t, points.Bytes())
	from, to := some.Frames[9].Index, some.Frames[10].Index
	for i := range got.at {
		index := whole.Frames[i].Index
		gone := index > from && index < to
		if math.IsNaN(got.at[i][tip][0]) != gone || (c3d.points[i][tip].residual < 0) != gone {
			t.Errorf("picture %d, between %d and %d: %v, residual %v", index, from, to, got.at[i][tip], c3d.points[i][tip].residual)
		}
	}
}
