package clip

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"slices"
	"testing"
)

// What Ahead gives is what a Reader gives, picture by picture.
func TestAheadGivesWhatAReaderGives(t *testing.T) {
	ctx := context.Background()
	for _, path := range []string{hevc10(t), withMatrix(t, 0, 1, -1, 0), damagedMiddle(t)} {
		c := probe(t, path)
		for _, every := range []int{1, 3} {
			r, from := open(t, c, path), open(t, c, path)
			r.Shrink(2)
			from.Shrink(2)
			var wanted []int
			for i := 5; i < len(c.Times); i += every {
				wanted = append(wanted, i)
			}
			a := from.Ahead(ctx, wanted)
			given := 0
			for {
				f, err := r.Next(ctx)
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if !slices.Contains(wanted, f.Index) {
					continue
				}
				g, err := a.Next(ctx)
				if err != nil {
					t.Fatal(err)
				}
				gray, want := a.Gray(), r.Gray()
				if g.Index != f.Index || !bytes.Equal(g.BGR.ToBytes(), f.BGR.ToBytes()) || !bytes.Equal(gray.ToBytes(), want.ToBytes()) {
					t.Fatalf("%s: picture %d is not the Reader's %d", c.Name, g.Index, f.Index)
				}
				given++
			}
			for range 2 {
				if _, err := a.Next(ctx); !errors.Is(err, io.EOF) {
					t.Errorf("%s: after the last: %v", c.Name, err)
				}
			}
			last := wanted[len(wanted)-1]
			if got, want := a.Clip().Times[5:last], r.Clip().Times[5:last]; !slices.Equal(got, want) || given < 8 {
				t.Errorf("%s: %d pictures; lost ones are not told as by a Reader", c.Name, given)
			}
			if err := a.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}

func TestAheadStopsWhenTold(t *testing.T) {
	c := probe(t, h264(t))
	all := make([]int, len(c.Times))
	for i := range all {
		all[i] = i
	}
	ctx, cancel := context.WithCancel(context.Background())
	a := open(t, c, h264(t)).Ahead(ctx, all)
	if _, err := a.Next(ctx); err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := a.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	// Its goroutine would wait for ever on pictures that nobody takes: Close
	// returns only when it has ended.
	b := open(t, c, h264(t)).Ahead(context.Background(), all)
	if err := errors.Join(a.Close(), b.Close(), b.Close()); err != nil {
		t.Error(err)
	}
	if _, err := b.Next(context.Background()); !errors.Is(err, os.ErrClosed) {
		t.Errorf("closed: %v", err)
	}
	if _, ok := <-b.made; ok {
		t.Error("the goroutine is still there")
	}
	gone := probe(t, pattern(t))
	gone.Width++
	d := open(t, gone, pattern(t)).Ahead(context.Background(), all)
	defer d.Close()
	if _, err := d.Next(context.Background()); !errors.Is(err, Damaged) {
		t.Errorf("a picture of another size than told: %v", err)
	}
}
