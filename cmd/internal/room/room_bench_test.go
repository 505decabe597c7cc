package room

import (
	"context"
	"crypto/sha256"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"nightcage/vision"
	"nightcage/worker"
)

// BenchmarkListOf10000: a page of the list, the search and tonight's page over a home
// with 10,000 measured swings. Each record is the same file under another name.
func BenchmarkListOf10000(b *testing.B) {
	const n = 10000
	ctx := context.Background()
	dir, job := playedHome(b)
	home, err := worker.OpenHome(dir)
	if err != nil {
		b.Fatal(err)
	}
	ledger, err := worker.OpenLedger(ctx, home.LedgerPath())
	if err != nil {
		b.Fatal(err)
	}
	defer ledger.Close()
	record := filepath.Join(home.RecordsDir(), job, "1", "record.json")
	text, err := os.ReadFile(record)
	if err != nil {
		b.Fatal(err)
	}
	sums := fmt.Appendf(nil, "%x  1/record.json\n", sha256.Sum256(text))
	hitters := []string{"Rook Calder", "Juniper Sable", "Ozzie Marlow", "Tamsin Vale"}
	for i := range n {
		id := fmt.Sprintf("%032x", i+1)
		to := filepath.Join(home.RecordsDir(), id)
		err := os.MkdirAll(filepath.Join(to, "1"), 0o700)
		if err == nil {
			err = os.Link(record, filepath.Join(to, "1", "record.json"))
		}
		if err == nil {
			err = os.WriteFile(filepath.Join(to, "SHA256SUMS"), sums, 0o600)
		}
		j := worker.Job{ID: id, Clip: fmt.Sprintf("/clips/%d.mp4", i), SubmittedAt: time.Now().Add(-time.Duration(i) * time.Hour),
			Subject: vision.Subject{Hitter: hitters[i%4], Team: "Cinder Creek Comets"}}
		if err == nil {
			_, _, err = ledger.Add(ctx, j)
		}
		if err == nil {
			err = ledger.Measured(ctx, id, 1)
		}
		if err != nil {
			b.Fatal(err)
		}
	}
	rm := openRoom(b, dir)
	for _, path := range []string{"/swings", "/swings?page=50", "/swings?find=sable", "/"} {
		b.Run(path, func(b *testing.B) {
			for b.Loop() {
				get(b, rm, path, http.StatusOK)
			}
		})
	}
}
