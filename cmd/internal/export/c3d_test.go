package export

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"nightcage/phases"
	"nightcage/vision"
)

// c3dFile is what a reader written from the guide at c3d.org finds; neither npm nor
// the Go proxy was found to carry one.
type c3dFile struct {
	rate       float64
	parameters map[string]any // GROUP:NAME
	points     [][]c3dPoint
}

type c3dPoint struct {
	at       [3]float64
	residual float64 // negative: not valid
}

func readC3D(t *testing.T, b []byte) c3dFile {
	t.Helper()
	le := binary.LittleEndian
	f32 := func(at int) float64 { return float64(math.Float32frombits(le.Uint32(b[at:]))) }
	if len(b)%512 != 0 || b[1] != 0x50 {
		t.Fatalf("%d bytes, key %#x", len(b), b[1])
	}
	f := c3dFile{rate: f32(20), parameters: map[string]any{}}
	if f32(12) >= 0 {
		t.Fatal("integer data")
	}
	section := b[(int(b[0])-1)*512:]
	if section[3] != 84 {
		t.Fatalf("processor %d", section[3])
	}
	section = section[:int(section[2])*512]
	groups := map[int8]string{}
	for at := 4; section[at] != 0; {
		n := int(int8(section[at]))
		id, name := int8(section[at+1]), string(section[at+2:at+2+n])
		next := at + 2 + n + int(le.Uint16(section[at+2+n:]))
		if d := at + 2 + n + 2; id > 0 {
			kind, rank := int8(section[d]), int(section[d+1])
			size := 1
			var dims []int
			for _, x := range section[d+2 : d+2+rank] {
				dims = append(dims, int(x))
				size *= int(x)
			}
			data := section[d+2+rank:]
			var v any
			switch kind {
			case -1:
				var texts []string
				for i := 0; i < size; i += dims[0] {
					texts = append(texts, strings.TrimRight(string(data[i:i+dims[0]]), " "))
				}
				v = texts
			case 2:
				var vs []int
				for i := range size {
					vs = append(vs, int(le.Uint16(data[2*i:])))
				}
				v = vs
			case 4:
				var vs []float64
				for i := range size {
					vs = append(vs, float64(math.Float32frombits(le.Uint32(data[4*i:]))))
				}
				v = vs
			default:
				t.Fatalf("%s has type %d", name, kind)
			}
			f.parameters[groups[id]+":"+name] = v
		} else {
			groups[-id] = name
		}
		at = next
	}
	used, frames := int(le.Uint16(b[2:])), int(le.Uint16(b[8:]))-int(le.Uint16(b[6:]))+1
	at := (int(le.Uint16(b[16:])) - 1) * 512
	for range frames {
		var ps []c3dPoint
		for range used {
			p := c3dPoint{at: [3]float64{f32(at), f32(at + 4), f32(at + 8)}, residual: -1}
			if w := int16(f32(at + 12)); w >= 0 {
				p.residual = float64(w&0xff) * math.Abs(f32(12))
			}
			ps = append(ps, p)
			at += 16
		}
		f.points = append(f.points, ps)
	}
	return f
}

func TestC3DReadsBack(t *testing.T) {
	tr := track(t, "s77001_04")
	tr.Solution.Frames[3].Knob.Valid = false
	for i := range tr.Solution.Frames {
		p := &tr.Solution.Frames[i].Tip
		p.SX, p.SY, p.SZ = 1, 1, 1 // 25 mm
	}
	tl, err := phases.Find(track(t, "s77001_04"))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := C3D(&b, tr, tl); err != nil {
		t.Fatal(err)
	}
	f := readC3D(t, b.Bytes())
	labels, _ := f.parameters["POINT:LABELS"].([]string)
	if !slices.Equal(labels, markers()) {
		t.Errorf("labels %v", labels)
	}
	for name, want := range map[string]any{"POINT:UNITS": []string{"mm"}, "POINT:RATE": []float64{tr.Clip.Clock.CaptureFPS}, "POINT:USED": []int{len(labels)}, "POINT:FRAMES": []int{len(tr.Frames)}, "ANALOG:USED": []int{0}} {
		if got := f.parameters[name]; !equal(got, want) {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	if start := f.parameters["POINT:DATA_START"].([]int)[0]; start != int(binary.LittleEndian.Uint16(b.Bytes()[16:])) {
		t.Errorf("the header and the parameters disagree where the data begin: %d", start)
	}
	if f.rate != tr.Clip.Clock.CaptureFPS || len(f.points) != len(tr.Frames) {
		t.Fatalf("rate %v, %d frames of %d", f.rate, len(f.points), len(tr.Frames))
	}
	knob, tip, hip := slices.Index(labels, "bat_knob"), slices.Index(labels, "bat_tip"), slices.Index(labels, "left_hip")
	for i, p := range tr.Solution.Frames {
		q := p.Body[vision.LeftHip]
		for axis, want := range [3]float64{q.X, q.Y, q.Z} {
			if got := f.points[i][hip].at[axis] / 25.4; math.Abs(got-want) > 1e-3 {
				t.Errorf("frame %d, axis %d: %v in, want %v", i, axis, got, want)
			}
		}
		if missing := f.points[i][knob].residual < 0; missing != (i == 3) {
			t.Errorf("frame %d: knob missing %v", i, missing)
		}
		if r := f.points[i][tip].residual; r != 25 {
			t.Errorf("frame %d: residual of the tip %v mm, want 25", i, r)
		}
	}
	events, _ := f.parameters["EVENT:LABELS"].([]string)
	times, _ := f.parameters["EVENT:TIMES"].([]float64)
	at := map[string]float64{}
	for i, e := range events {
		at[e] = 60*times[2*i] + times[2*i+1]
	}
	found := 0
	for _, e := range tl.Events {
		if e.Found {
			found++
			if got := at[string(e.ID)] * 1000; math.Abs(got-e.Ms) > .1 {
				t.Errorf("%s at %.1f ms, want %.1f", e.ID, got, e.Ms)
			}
		}
	}
	if found < 5 || found != len(events) {
		t.Errorf("%d events of %d", len(events), found)
	}
}

func equal(a, b any) bool {
	switch x := a.(type) {
	case []int:
		y, ok := b.([]int)
		return ok && slices.Equal(x, y)
	case []float64:
		y, ok := b.([]float64)
		return ok && slices.Equal(x, y)
	case []string:
		y, ok := b.([]string)
		return ok && slices.Equal(x, y)
	}
	return false
}

// A marker that moves evenly lies evenly in the file, however unevenly the frames
// were taken; where two frames in a row are missing there is nothing.
func TestC3DIsEvenInTime(t *testing.T) {
	const fps, speed = 100.0, 40.0 // inches a second
	var tr vision.Track
	tr.Clip.Clock = vision.Clock{Known: true, CaptureFPS: fps}
	tr.Solution = &vision.Solution{}
	for i, ms := range []float64{0, 11, 19, 30, 38, 50, 80, 90} {
		tr.Frames = append(tr.Frames, vision.Frame{Index: i, Ms: 1000 + ms})
		p := vision.Pose3{Knob: vision.Point3{Vec3: vision.Vec3{X: speed * ms / 1000}, Valid: true}}
		tr.Solution.Frames = append(tr.Solution.Frames, p)
	}
	var b bytes.Buffer
	if err := C3D(&b, tr, phases.Timeline{}); err != nil {
		t.Fatal(err)
	}
	f := readC3D(t, b.Bytes())
	if len(f.points) != 10 {
		t.Fatalf("%d frames, want 10", len(f.points))
	}
	knob := slices.Index(markers(), "bat_knob")
	for k, frame := range f.points {
		if gone := k == 6 || k == 7; gone != (frame[knob].residual < 0) {
			t.Errorf("frame %d: residual %v", k, frame[knob].residual)
		} else if want := speed * float64(k) / fps; !gone && math.Abs(frame[knob].at[0]/25.4-want) > 1e-3 {
			t.Errorf("frame %d at %.3f in, want %.3f", k, frame[knob].at[0]/25.4, want)
		}
	}
}

func TestC3DSaysWhyNot(t *testing.T) {
	tr := track(t, "s77001_04")
	tr.Solution = nil
	if err := C3D(io.Discard, tr, phases.Timeline{}); !errors.Is(err, ErrNoSolution) {
		t.Errorf("no solution: %v", err)
	}
}
