package room

import (
	"context"
	"io"
	"testing"

	"github.com/rs/zerolog"

	"nightcage/worker"
)

// emptyRoom is a room over a home without clips.
func emptyRoom(t *testing.T) *Room {
	t.Helper()
	return openRoom(t, t.TempDir())
}

func openRoom(t testing.TB, dir string) *Room {
	t.Helper()
	home, err := worker.OpenHome(dir)
	if err != nil {
		t.Fatal(err)
	}
	records, err := worker.OpenRecords(home.RecordsDir())
	if err != nil {
		t.Fatal(err)
	}
	ledger, err := worker.OpenLedger(context.Background(), home.LedgerPath())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ledger.Close() })
	rm, err := New(Options{Home: home, Ledger: ledger, Records: records, Log: zerolog.New(io.Discard)})
	if err != nil {
		t.Fatal(err)
	}
	return rm
}
