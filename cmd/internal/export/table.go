package export

import (
	"encoding/csv"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
)

// Columns names a Row's columns in order, as all tables have them.
func Columns() []string {
	t := reflect.TypeFor[Row]()
	out := make([]string, t.NumField())
	for i := range out {
		out[i], _, _ = strings.Cut(t.Field(i).Tag.Get("parquet"), ",")
	}
	return out
}

// cells are a row's values by column: string, int32, float64, time.Time, or nil
// where null.
func (r Row) cells() []any {
	v := reflect.ValueOf(r)
	out := make([]any, v.NumField())
	for i := range out {
		switch x := v.Field(i).Interface().(type) {
		case *float64:
			if x != nil {
				out[i] = *x
			}
		default:
			out[i] = x
		}
	}
	return out
}

// CSV writes a header and the rows (RFC 4180). A null is an empty field; numbers
// have every digit that tells them from their neighbours; times are RFC 3339, UTC.
func CSV(w io.Writer, rows []Row) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write(Columns()); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	for _, r := range rows {
		var line []string
		for _, c := range r.cells() {
			line = append(line, text(c))
		}
		if err := out.Write(line); err != nil {
			return fmt.Errorf("write CSV: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func text(cell any) string {
	switch x := cell.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case time.Time:
		return x.Format(time.RFC3339)
	default:
		return fmt.Sprint(x)
	}
}

// Parquet writes the rows as one file, compressed with Snappy, which every reader
// of Parquet knows.
func Parquet(w io.Writer, rows []Row) error {
	out := parquet.NewGenericWriter[Row](w, parquet.Compression(&parquet.Snappy), parquet.CreatedBy("nightcage", "", ""))
	if _, err := out.Write(rows); err != nil {
		return fmt.Errorf("write Parquet: %w", err)
	}
	if err := out.Close(); err != nil {
		return fmt.Errorf("write Parquet: %w", err)
	}
	return nil
}
