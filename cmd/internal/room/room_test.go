package room

import (
	"io"
	"testing"

	"github.com/rs/zerolog"
)

// emptyRoom is a room over a home without clips.
func emptyRoom(t *testing.T) *Room {
	t.Helper()
	return openRoom(t, t.TempDir())
}

func openRoom(t testing.TB, dir string) *Room {
	t.Helper()
	home, records, ledger := openHome(t, dir)
	rm, err := New(Options{Home: home, Ledger: ledger, Records: records, Log: zerolog.New(io.Discard)})
	if err != nil {
		t.Fatal(err)
	}
	return rm
}
