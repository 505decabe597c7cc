package export

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"nightcage/cmd/internal/season"
	"nightcage/metrics"
)

// ErrTooManyRows: a worksheet holds 1,048,576 rows (ECMA-376-1, section 18.3.1.73).
var ErrTooManyRows = errors.New("more rows than a worksheet can hold: export CSV or Parquet")

const (
	sheetSwings   = "swings"
	sheetMeasures = "measures"
	sheetAbout    = "about"
)

// aboutSwing are the columns before the measures on the sheet of swings.
var aboutSwing = []string{"swing_id", "hitter", "team", "filmed", "session", "level", "bats", "camera_view", "result"}

// Workbook writes three sheets: "swings", a row a swing with a column for each
// measure and one for half the width of its 95 % interval; "measures", a row a
// measure as in the other tables; "about", what each measure is. The row below the
// names gives the units. On "swings" a value that is only estimated stands in
// italics, and one that could not be had is empty.
//
// Errors: ErrTooManyRows, that of Rows, and w's.
func Workbook(w io.Writer, swings []season.Swing) (err error) {
	n := 0
	for _, s := range swings {
		n += len(s.Record.Measures)
	}
	if n+2 > excelize.TotalRows {
		return fmt.Errorf("export %d measures: %w", n, ErrTooManyRows)
	}
	rows, err := Rows(swings)
	if err != nil {
		return err
	}
	f := excelize.NewFile()
	defer func() {
		if cerr := f.Close(); err == nil && cerr != nil {
			err = fmt.Errorf("write workbook: %w", cerr)
		}
	}()
	b, err := newBook(f)
	if err == nil {
		err = b.swings(swings)
	}
	if err == nil {
		err = b.measures(rows)
	}
	if err == nil {
		err = b.about()
	}
	if err == nil {
		err = f.Write(w)
	}
	if err != nil {
		return fmt.Errorf("write workbook: %w", err)
	}
	return nil
}

type book struct {
	file                   *excelize.File
	head, unit, date, soft int // styles; soft marks an estimate
}

func newBook(f *excelize.File) (*book, error) {
	b := &book{file: f}
	date := "yyyy-mm-dd hh:mm"
	for _, s := range []struct {
		id    *int
		style excelize.Style
	}{
		{&b.head, excelize.Style{Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}}},
		{&b.unit, excelize.Style{Font: &excelize.Font{Italic: true}, Border: []excelize.Border{{Type: "bottom", Style: 1}}}},
		{&b.date, excelize.Style{CustomNumFmt: &date}},
		{&b.soft, excelize.Style{Font: &excelize.Font{Italic: true}}},
	} {
		var err error
		if *s.id, err = f.NewStyle(&s.style); err != nil {
			return nil, err
		}
	}
	if err := f.SetSheetName("Sheet1", sheetSwings); err != nil {
		return nil, err
	}
	for _, name := range []string{sheetMeasures, sheetAbout} {
		if _, err := f.NewSheet(name); err != nil {
			return nil, err
		}
	}
	return b, nil
}

// write fills a sheet: heads first, then the lines, with the heads kept in view.
func (b *book) write(sheet string, heads [][]any, keep int, lines func(put func([]any) error) error) error {
	w, err := b.file.NewStreamWriter(sheet)
	if err != nil {
		return err
	}
	corner, err := excelize.CoordinatesToCellName(keep+1, len(heads)+1)
	if err != nil {
		return err
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, XSplit: keep, YSplit: len(heads), TopLeftCell: corner, ActivePane: "bottomRight"}); err != nil {
		return err
	}
	n := 0
	put := func(cells []any) error {
		n++
		return w.SetRow(fmt.Sprintf("A%d", n), cells)
	}
	for i, h := range heads {
		style := b.head
		if i == len(heads)-1 {
			style = b.unit
		}
		styled := make([]any, len(h))
		for j, v := range h {
			styled[j] = excelize.Cell{StyleID: style, Value: v}
		}
		if err := put(styled); err != nil {
			return err
		}
	}
	if err := lines(put); err != nil {
		return err
	}
	return w.Flush()
}

func (b *book) swings(swings []season.Swing) error {
	var names, ids, units []any
	for _, a := range aboutSwing {
		u := ""
		if a == "filmed" {
			u = "UTC"
		}
		names, ids, units = append(names, strings.ReplaceAll(a, "_", " ")), append(ids, a), append(units, u)
	}
	defs := metrics.Catalogue()
	for _, d := range defs {
		names, ids, units = append(names, d.Name, "± 95 %"), append(ids, d.ID, d.ID+"_half95"), append(units, d.Unit, d.Unit)
	}
	return b.write(sheetSwings, [][]any{names, ids, units}, 2, func(put func([]any) error) error {
		for _, s := range swings {
			rec := s.Record
			line := []any{s.ID, s.Hitter, s.Team, b.when(s.At), s.Session, string(rec.Subject.Level), string(rec.Hand.Bats), string(rec.Sighting.View), string(rec.Timeline.Result)}
			for _, d := range defs {
				m, ok := rec.Find(d.ID)
				if !ok || m.Value == nil {
					line = append(line, nil, nil)
					continue
				}
				digits := metrics.Digits((*m.High95 - *m.Low95) / 2)
				style := 0
				if m.Grade == metrics.GradeEstimated {
					style = b.soft
				}
				line = append(line, excelize.Cell{StyleID: style, Value: rounded(*m.Value, digits)}, excelize.Cell{StyleID: style, Value: rounded((*m.High95-*m.Low95)/2, digits)})
			}
			if err := put(line); err != nil {
				return err
			}
		}
		return nil
	})
}

func (b *book) measures(rows []Row) error {
	var names, units []any
	for _, c := range Columns() {
		u := ""
		switch {
		case c == "filmed":
			u = "UTC"
		case c == "value" || c == "sigma" || c == "low95" || c == "high95":
			u = "see unit"
		case strings.HasSuffix(c, "_si") && c != "unit_si":
			u = "see unit_si"
		case c == "ucum" || c == "unit_si":
			u = "UCUM code"
		}
		names, units = append(names, c), append(units, u)
	}
	return b.write(sheetMeasures, [][]any{names, units}, 2, func(put func([]any) error) error {
		for _, r := range rows {
			line := r.cells()
			for i, c := range line {
				if t, ok := c.(time.Time); ok {
					line[i] = b.when(t)
				}
			}
			if err := put(line); err != nil {
				return err
			}
		}
		return nil
	})
}

func (b *book) about() error {
	return b.write(sheetAbout, [][]any{{"measure", "name", "unit", "what it is", "sign", "source"}, {"", "", "", "", "", ""}}, 1, func(put func([]any) error) error {
		for _, d := range metrics.Catalogue() {
			if err := put([]any{d.ID, d.Name, d.Unit, d.Definition, d.Sign, d.Source}); err != nil {
				return err
			}
		}
		notes := append([]string{"", "On the sheet of swings an estimate stands in italics; what could not be measured is empty, and the sheet of measures has the reason.",
			"A day of filming without a time of day stands as noon.", "± 95 % is half the width of the interval that holds the true value with 95 % probability."}, metrics.Cautions()...)
		for _, n := range notes {
			if err := put([]any{n}); err != nil {
				return err
			}
		}
		return nil
	})
}

func (b *book) when(t time.Time) excelize.Cell {
	return excelize.Cell{StyleID: b.date, Value: t.UTC()}
}

// rounded keeps the digits after the point that an error bar deserves.
func rounded(v float64, digits int) float64 {
	p := math.Pow10(digits)
	return math.Round(v*p) / p
}
