//go:build matprofile

package clip

import (
	"bytes"
	"context"
	"errors"
	"io"
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// Every way through the package must leave as many Mats alive as it found. Run
// with -tags customenv,matprofile.
func TestNoMatIsLeftOpen(t *testing.T) {
	ctx := context.Background()
	short := pattern(t)
	turned := withMatrix(t, 0, 1, -1, 0)
	path := filepath.Join(clips, "s77001_00.mp4")
	rendered := probe(t, path)
	for _, c := range []struct {
		name string
		run  func(t *testing.T)
	}{
		{"read through, turned", func(t *testing.T) {
			if _, n, _, err := readThrough(turned); err != nil || n == 0 {
				t.Fatal(n, err)
			}
		}},
		{"gray, seek, stop half way", func(t *testing.T) {
			r, err := Open(ctx, probe(t, short), short)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			r.Shrink(2)
			for _, at := range []int{20, 2} {
				if err := r.Seek(ctx, at); err != nil {
					t.Fatal(err)
				}
				if _, err := r.Next(ctx); err != nil {
					t.Fatal(err)
				}
				if g := r.Gray(); g.Empty() {
					t.Fatal("no gray")
				}
			}
		}},
		{"closed twice", func(t *testing.T) {
			r, err := Open(ctx, probe(t, short), short)
			if err != nil {
				t.Fatal(err)
			}
			if err := errors.Join(r.Close(), r.Close()); err != nil {
				t.Fatal(err)
			}
			if _, err := r.Next(ctx); err == nil || errors.Is(err, io.EOF) {
				t.Fatalf("read after Close: %v", err)
			}
		}},
		{"read ahead, stopped half way", func(t *testing.T) {
			r, err := Open(ctx, probe(t, turned), turned)
			if err != nil {
				t.Fatal(err)
			}
			a := r.Ahead(ctx, []int{1, 2, 5, 9, 11, 12})
			defer a.Close()
			for range 2 {
				if _, err := a.Next(ctx); err != nil {
					t.Fatal(err)
				}
				if g := a.Gray(); g.Empty() {
					t.Fatal("no gray")
				}
			}
		}},
		{"thumbnails alone", func(t *testing.T) {
			r, err := Open(ctx, rendered, path)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			for range 3 {
				if _, err := r.Skip(ctx); err != nil {
					t.Fatal(err)
				}
				if _, err := r.Thumb(); err != nil {
					t.Fatal(err)
				}
			}
		}},
		{"not a video", func(t *testing.T) {
			text := altered(t, "text.mp4", short, func([]byte) []byte { return []byte("no video") })
			if _, err := Open(ctx, vision.Clip{Name: "text.mp4"}, text); !errors.Is(err, Damaged) {
				t.Fatal(err)
			}
		}},
		{"a picture of another size than told", func(t *testing.T) {
			wrong := probe(t, short)
			wrong.Width++
			r, err := Open(ctx, wrong, short)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			if _, err := r.Next(ctx); !errors.Is(err, Damaged) {
				t.Fatal(err)
			}
		}},
		{"following and scanning", func(t *testing.T) {
			r, err := Open(ctx, rendered, path)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			st, sc := NewStabiliser(vision.Box{}), NewScan(vision.Box{})
			defer st.Close()
			defer sc.Close()
			for range 10 {
				f, err := r.Next(ctx)
				if err != nil {
					t.Fatal(err)
				}
				_, err = st.Next(r.Gray())
				if err := errors.Join(err, sc.Add(f.Index, r.Gray())); err != nil {
					t.Fatal(err)
				}
				if _, err := st.Next(f.BGR); err == nil {
					t.Fatal("colour accepted")
				}
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := gocv.MatProfile.Count()
			c.run(t)
			if n := gocv.MatProfile.Count() - before; n != 0 {
				var b bytes.Buffer
				if err := gocv.MatProfile.WriteTo(&b, 1); err != nil {
					t.Fatal(err)
				}
				t.Errorf("%+d Mats:\n%s", n, b.String())
			}
		})
	}
}
