package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/parquet-go/parquet-go"
	"github.com/xuri/excelize/v2"

	"nightcage/cmd/internal/export"
	"nightcage/vision/truth"
	"nightcage/worker"
)

// filled makes a home with the events as records, and makes it the one that
// commands use. Hitters named in agreed have consent.
func filled(t *testing.T, events []event.Event, agreed ...string) *store {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "home")
	t.Setenv("NIGHTCAGE_HOME", dir)
	f := homeFlags{dir: dir, level: "error"}
	s, err := f.open(t.Context(), os.Stderr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.close)
	for i, e := range events {
		job := fmt.Sprintf("%032x", i+1)
		e.SetID(worker.RecordID(job, 1))
		e.SetExtension("team", "Cinder Creek Comets")
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.records.Put(job, []worker.File{{Name: "1/record.json", Bytes: b}}); err != nil {
			t.Fatal(err)
		}
	}
	for _, h := range agreed {
		if err := s.ledger.TellConsent(t.Context(), "Cinder Creek Comets", h, worker.Consent{By: worker.ConsentGuardian, Told: time.Now()}); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

func TestExport(t *testing.T) {
	events := recorded(t, rand.New(rand.NewPCG(83001, 1)), comets(0), 1, 1)
	filled(t, events, "Rook Calder")
	mine := 0
	for _, e := range events {
		if e.Subject() == "Rook Calder" {
			mine++
		}
	}
	if mine == 0 || mine == len(events) {
		t.Fatalf("%d of %d events are Rook Calder's", mine, len(events))
	}

	out, code := nightcage(t, "export", "--format", "csv")
	if code != exitOK {
		t.Fatal(code)
	}
	lines, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	hitter := slices.Index(export.Columns(), "hitter")
	swings := map[string]bool{}
	for _, l := range lines[1:] {
		swings[l[0]] = true
		if l[hitter] != "Rook Calder" {
			t.Fatalf("a row of %s, who has not agreed", l[hitter])
		}
	}
	if len(swings) != mine {
		t.Errorf("%d swings, want %d", len(swings), mine)
	}

	dir := t.TempDir()
	if _, code := nightcage(t, "export", "--format", "parquet", "-o", filepath.Join(dir, "a.parquet")); code != exitOK {
		t.Error("parquet:", code)
	}
	if rows, err := parquet.ReadFile[export.Row](filepath.Join(dir, "a.parquet")); err != nil || len(rows) != len(lines)-1 {
		t.Errorf("parquet has %d rows, CSV %d: %v", len(rows), len(lines)-1, err)
	}
	if _, code := nightcage(t, "export", "--format", "xlsx", "-o", filepath.Join(dir, "a.xlsx")); code != exitOK {
		t.Error("xlsx:", code)
	}
	book, err := excelize.OpenFile(filepath.Join(dir, "a.xlsx"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	if rows, err := book.GetRows("swings"); err != nil || len(rows) != 3+mine {
		t.Errorf("workbook has %d lines of swings, want %d: %v", len(rows), 3+mine, err)
	}

	id := lines[1][0]
	out, code = nightcage(t, "export", "--format", "ndjson", id)
	var e event.Event
	if err := json.Unmarshal([]byte(out), &e); err != nil || code != exitOK || e.ID() != id {
		t.Errorf("ndjson: exit code %d, id %q, want %q: %v", code, e.ID(), id, err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 2 {
		t.Errorf("%d files, want 2: %v", len(left), err)
	}
}

func TestExportMarkers(t *testing.T) {
	events := recorded(t, rand.New(rand.NewPCG(83003, 1)), comets(0)[:2], 1, 1)
	s := filled(t, events, "Rook Calder", "Juniper Sable")
	f, err := truth.Read(filepath.Join("..", "..", "testdata", "clips", "s77001_04.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	track, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	put := func(job string, e event.Event) {
		e.SetID(worker.RecordID(job, 1))
		var packed bytes.Buffer
		z := gzip.NewWriter(&packed)
		record, err := json.Marshal(e)
		if err == nil {
			err = errors.Join(json.NewEncoder(z).Encode(track), z.Close())
		}
		if err == nil {
			err = s.records.Put(job, []worker.File{{Name: "1/record.json", Bytes: record}, {Name: "1/track.json.gz", Bytes: packed.Bytes()}, {Name: "1/timeline.json", Bytes: []byte("{}")}})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	events[0].SetExtension("team", "Cinder Creek Comets")
	put(strings.Repeat("a", 32), events[0])
	track.Clip.Clock.Known = false
	put(strings.Repeat("b", 32), events[0])

	dir := filepath.Join(t.TempDir(), "markers")
	out, code := nightcage(t, "export", "--format", "trc", "-o", dir, "aaaa", "bbbb")
	if code != exitOK || out != filepath.Join(dir, strings.Repeat("a", 32)+"-1.trc")+"\n" {
		t.Errorf("exit code %d\n%s", code, out)
	}
	if b, err := os.ReadFile(strings.TrimSpace(out)); err != nil || !bytes.HasPrefix(b, []byte("PathFileType\t4\t")) {
		t.Errorf("%v\n%.200s", err, b)
	}
	if out, code := nightcage(t, "export", "--format", "c3d", "-o", dir, "aaaa"); code != exitOK || !strings.HasSuffix(out, "a-1.c3d\n") {
		t.Errorf("c3d: exit code %d\n%s", code, out)
	}
	if _, code := nightcage(t, "export", "--format", "trc", "-o", dir, "bbbb"); code == exitOK {
		t.Error("a swing without a clock was written")
	}
	if _, code := nightcage(t, "export", "--format", "trc", "-o", dir); code == exitOK {
		t.Error("records that keep no track were written")
	}
}

func TestExportRefuses(t *testing.T) {
	filled(t, recorded(t, rand.New(rand.NewPCG(83002, 1)), comets(0), 1, 1))
	for _, args := range [][]string{
		{"--format", "csv"}, // nobody agreed
		{"--format", "pdf"},
		{"--format", "xlsx"},
		{"--format", "csv", "ffff"},
	} {
		if out, code := nightcage(t, append([]string{"export"}, args...)...); code != exitUsage || out != "" {
			t.Errorf("%v: exit code %d, %d bytes of output", args, code, len(out))
		}
	}
}
