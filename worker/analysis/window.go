package analysis

import (
	"context"
	"errors"
	"io"

	"nightcage/vision"
	"nightcage/vision/clip"
)

// window finds the frames around the swing. A short clip is looked at whole;
// a longer one is read through once on thumbnails.
func window(ctx context.Context, path string, c vision.Clip) (vision.Clip, [2]int, error) {
	whole := [2]int{0, len(c.Times)}
	if clip.Whole(c) {
		return c, whole, nil
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return c, whole, err
	}
	defer r.Close()
	scan := clip.NewScan(vision.Box{})
	defer scan.Close()
	for {
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return c, whole, err
		}
		if err := scan.Add(p.Index, r.Gray()); err != nil {
			return c, whole, wrap(c, "look for the swing", err)
		}
	}
	c = scan.Apply(r.Clip())
	at := scan.Indices()
	ms := make([]float64, len(at))
	for i, k := range at {
		ms[i] = c.Times[k].Ms
	}
	first, end, ok := clip.Window(scan.Energy(), ms)
	if !ok {
		return c, whole, &Error{Kind: NoSwing, Clip: c.Name, Reason: "Nothing in the clip moves as fast and briefly as a swing."}
	}
	return c, [2]int{at[first], at[end-1] + 1}, nil
}
