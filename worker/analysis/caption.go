package analysis

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"strings"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gomedium"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"nightcage/phases"
)

var captionFont = sync.OnceValues(func() (*opentype.Font, error) { return opentype.Parse(gomedium.TTF) })

// words is an event's id as a coach reads it.
func words(id phases.EventID) string { return strings.ReplaceAll(string(id), "_", " ") }

// caption writes lines on a dark panel in the picture's top left corner, the
// first line larger.
func (p *pen) caption(lines []string) error {
	parsed, err := captionFont()
	if err != nil {
		return fmt.Errorf("caption font: %w", err)
	}
	size := float64(p.img.Rows()) / 40
	body, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		return fmt.Errorf("caption font: %w", err)
	}
	defer body.Close()
	head, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: size * 1.25, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		return fmt.Errorf("caption font: %w", err)
	}
	defer head.Close()
	faces := make([]font.Face, len(lines))
	width := 0
	for i, l := range lines {
		faces[i] = body
		if i == 0 {
			faces[i] = head
		}
		width = max(width, font.MeasureString(faces[i], l).Ceil())
	}
	pad, step := int(size*0.6), int(size*1.45)
	panel := image.NewRGBA(image.Rect(0, 0, min(width+2*pad, p.img.Cols()), min(step*len(lines)+2*pad, p.img.Rows())))
	draw.Draw(panel, panel.Bounds(), image.NewUniform(color.RGBA{R: 9, G: 13, B: 20, A: 200}), image.Point{}, draw.Src)
	for i, l := range lines {
		d := font.Drawer{Dst: panel, Src: image.White, Face: faces[i],
			Dot: fixed.P(pad, pad+step*i+int(size))}
		d.DrawString(l)
	}
	return p.blend(panel)
}

// blend lays an RGBA panel (premultiplied) over the picture's top left corner.
func (p *pen) blend(panel *image.RGBA) error {
	px, err := p.img.DataPtrUint8()
	if err != nil {
		return fmt.Errorf("caption: %w", err)
	}
	row := p.img.Cols() * 3
	for y := range panel.Rect.Dy() {
		for x := range panel.Rect.Dx() {
			s := panel.Pix[y*panel.Stride+x*4:][:4]
			d := px[y*row+x*3:][:3]
			under := 255 - uint32(s[3])
			for c := range 3 { // panel is RGB, picture BGR
				d[c] = byte(uint32(s[2-c]) + uint32(d[c])*under/255)
			}
		}
	}
	return nil
}
