package ground

import (
	"fmt"

	"nightcage/vision"
)

// Look finds plate, lines and posts in the middle of the pictures added. The
// error is OpenCV's; what was not found is empty, and NoPlate says why.
func (f *Finder) Look(a About) (*vision.Ground, error) {
	g, ok, err := f.middle()
	if err != nil {
		return nil, err
	}
	if !ok {
		return &vision.Ground{NoPlate: "the camera did not hold still enough to lay pictures over each other"}, nil
	}
	out := &vision.Ground{}
	if out.Uprights, err = g.uprights(&a); err != nil {
		return nil, fmt.Errorf("look for posts: %w", err)
	}
	plate, marks, why, err := g.plate(&a)
	if err != nil {
		return nil, fmt.Errorf("look for the plate: %w", err)
	}
	if plate == nil {
		out.NoPlate = why
		return out, nil
	}
	cx, cy := float64(g.w-1)/2, float64(g.h-1)/2
	for _, k := range marks.Corners {
		out.Plate = append(out.Plate, vision.Mark{X: k.U + cx, Y: k.V + cy, SigmaPx: k.Sigma, Seen: 1, How: vision.HowEdges})
	}
	out.Lines = g.lines(plate, marks, &a.Prior)
	return out, nil
}
