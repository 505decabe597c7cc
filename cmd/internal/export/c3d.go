package export

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"

	"nightcage/phases"
	"nightcage/vision"
)

// C3D writes the joints' paths of a solved swing, and its events, as a C3D file in
// little-endian floating-point form, millimetres.
//
// Frames of a C3D file are even in time, at the clip's capture rate; a marker is
// interpolated, or invalid, where the pictures about that instant were not looked at. Its
// residual is its standard error in whole millimetres, from 1 to 255, and 0, with no
// camera, where it is interpolated over a picture that was not looked at, which is how
// the format says so. Event times count from the first frame.
//
// The format is that of "The C3D File Format: A Technical User Guide" (c3d.org):
// a header, the parameter groups POINT, ANALOG (none), TRIAL and EVENT, and the data,
// each from a block of 512 bytes on.
//
// Errors: ErrNoClock, ErrNoSolution, and w's.
func C3D(w io.Writer, t vision.Track, tl phases.Timeline) error {
	m, err := newMotion(t)
	if err != nil {
		return err
	}
	frames := m.samples
	if len(frames) > math.MaxUint16 {
		return fmt.Errorf("markers of clip %s: %d frames are more than a C3D file has", t.Clip.Name, len(frames))
	}
	names := markers()
	// How long the parameters are says where the data begin, which they tell.
	parameters := func(dataStart int) []byte {
		p := &parameterSection{}
		point := p.group(1, "POINT", "3-D places")
		point.ints("USED", len(names))
		point.floats("SCALE", -1) // negative: the data are floating-point numbers
		point.floats("RATE", m.fps)
		point.ints("DATA_START", dataStart)
		point.ints("FRAMES", len(frames))
		point.text("LABELS", names...)
		point.text("UNITS", "mm")
		point.text("X_SCREEN", "+X")
		point.text("Y_SCREEN", "+Y")
		p.group(2, "ANALOG", "none").ints("USED", 0)
		trial := p.group(3, "TRIAL", "frames of the clip")
		trial.list("ACTUAL_START_FIELD", 1, 0)
		trial.list("ACTUAL_END_FIELD", len(frames), 0)
		var labels []string
		var times []float64 // minutes and seconds of each
		for _, e := range tl.Events {
			if s := (e.Ms - t.Frames[0].Ms) / 1000; e.Found && s >= 0 {
				labels, times = append(labels, string(e.ID)), append(times, 0, s)
			}
		}
		event := p.group(4, "EVENT", "instants of the swing")
		event.ints("USED", len(labels))
		if len(labels) > 0 {
			event.text("LABELS", labels...)
			event.put("TIMES", 4, []int{2, len(labels)}, floats(times))
		}
		return p.bytes()
	}
	const first = 2 // block of the parameters
	dataStart := first + len(parameters(0))/block
	h := make([]byte, block)
	h[0], h[1] = first, c3dKey
	le := binary.LittleEndian
	le.PutUint16(h[2:], uint16(len(names)))
	le.PutUint16(h[6:], 1)
	le.PutUint16(h[8:], uint16(len(frames)))
	le.PutUint32(h[12:], math.Float32bits(-1))
	le.PutUint16(h[16:], uint16(dataStart))
	le.PutUint32(h[20:], math.Float32bits(float32(m.fps)))
	b := bytes.NewBuffer(append(h, parameters(dataStart)...))
	for _, f := range frames {
		for _, p := range f {
			quad := []float64{0, 0, 0, -1}
			switch {
			case p.ok && p.seen:
				// The high byte says that camera 1 saw it.
				quad = []float64{p.x, p.y, p.z, 0x100 + math.Round(min(max(p.sigma, 1), 255))}
			case p.ok:
				quad = []float64{p.x, p.y, p.z, 0}
			}
			b.Write(floats(quad))
		}
	}
	b.Write(make([]byte, (block-b.Len()%block)%block))
	if _, err := b.WriteTo(w); err != nil {
		return fmt.Errorf("write C3D of clip %s: %w", t.Clip.Name, err)
	}
	return nil
}

const (
	block  = 512
	c3dKey = 0x50 // of header and parameters
	intel  = 84   // little-endian numbers
)

// parameterSection is the second part of a C3D file: groups and their parameters.
type parameterSection struct{ b bytes.Buffer }

// parameterGroup adds parameters to a group of the section.
type parameterGroup struct {
	section *parameterSection
	id      int8
}

func (p *parameterSection) group(id int8, name, about string) parameterGroup {
	p.b.WriteByte(byte(len(name)))
	p.b.WriteByte(byte(-id))
	p.b.WriteString(name)
	p.b.Write(binary.LittleEndian.AppendUint16(nil, uint16(2+1+len(about)))) // to the next, from here
	p.b.WriteByte(byte(len(about)))
	p.b.WriteString(about)
	return parameterGroup{p, id}
}

// put adds a parameter. kind is its type as the format numbers them: -1 letters, 2
// integers, 4 floating-point numbers; dims are its dimensions, the fastest first.
func (g parameterGroup) put(name string, kind int8, dims []int, data []byte) {
	b := &g.section.b
	b.WriteByte(byte(len(name)))
	b.WriteByte(byte(g.id))
	b.WriteString(name)
	b.Write(binary.LittleEndian.AppendUint16(nil, uint16(2+2+len(dims)+len(data)+1)))
	b.WriteByte(byte(kind))
	b.WriteByte(byte(len(dims)))
	for _, d := range dims {
		b.WriteByte(byte(d))
	}
	b.Write(data)
	b.WriteByte(0) // no description
}

func (g parameterGroup) ints(name string, v int) {
	g.put(name, 2, nil, binary.LittleEndian.AppendUint16(nil, uint16(v)))
}

// list is a row of integers.
func (g parameterGroup) list(name string, vs ...int) {
	var b []byte
	for _, v := range vs {
		b = binary.LittleEndian.AppendUint16(b, uint16(v))
	}
	g.put(name, 2, []int{len(vs)}, b)
}

func (g parameterGroup) floats(name string, v float64) { g.put(name, 4, nil, floats([]float64{v})) }

// text is a row of texts, each filled up with spaces to the longest.
func (g parameterGroup) text(name string, texts ...string) {
	long := 0
	for _, t := range texts {
		long = max(long, len(t))
	}
	var b []byte
	for _, t := range texts {
		b = append(b, t+strings.Repeat(" ", long-len(t))...)
	}
	dims := []int{long}
	if len(texts) > 1 {
		dims = append(dims, len(texts))
	}
	g.put(name, -1, dims, b)
}

// bytes is the whole section, in blocks; what is left of the last is zero, which ends
// the parameters.
func (p *parameterSection) bytes() []byte {
	n := (4 + p.b.Len() + 1 + block - 1) / block // with the zero that ends it
	out := make([]byte, n*block)
	out[0], out[1], out[2], out[3] = 1, c3dKey, byte(n), intel
	copy(out[4:], p.b.Bytes())
	return out
}

func floats(vs []float64) (out []byte) {
	for _, v := range vs {
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(v)))
	}
	return out
}
