package models

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// BodyDepth's file run by ONNX Runtime against the network as models/body/depth.py
// has it, worked by plain float64 loops from the file's own weights, on what PoseFull
// gives for pose_full.png. The loops know the layers from depth.py alone and nothing of
// the file's graph, so that a layer left out, a stride or an order of inputs shows.
func TestBodyDepthAgainstLoops(t *testing.T) {
	pose, depth := open(t, PoseFull), open(t, BodyDepth)
	fill(t, pose, "pose_full.png", 1.0/255, 0)
	if err := pose.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	given := map[string][]float64{}
	for i, in := range networks[BodyDepth].inputs {
		o := slices.IndexFunc(networks[PoseFull].outputs, func(p Tensor) bool { return p.Name == in.Name })
		copy(depth.Input(i), pose.Output(o))
		given[in.Name] = wide(pose.Output(o))
	}
	if err := depth.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	onnx, err := read(BodyDepth)
	if err != nil {
		t.Fatal(err)
	}
	want := newLoops(t, onnx).run(given)
	got := depth.Output(0)
	if len(got) != len(want) {
		t.Fatalf("%d outputs, want %d", len(got), len(want))
	}
	var worst, spread float64
	for i, w := range want {
		worst, spread = max(worst, math.Abs(float64(got[i])-w)), max(spread, math.Abs(w))
	}
	t.Logf("largest difference %.2g, of outputs up to %.2f", worst, spread)
	// 1e-4 is a thousandth of a percent of standing height in a depth
	if worst > 1e-4 || spread < 0.5 {
		t.Errorf("differs by %.3g, more than rounding, or says nothing: outputs up to %.3g", worst, spread)
	}
}

func wide(v []float32) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		out[i] = float64(v[i])
	}
	return out
}

// plane is a square map, channels first.
type plane struct {
	side int
	v    []float64
}

// weights are a file's initialisers by name.
type weights struct {
	t     *testing.T
	shape map[string][]int
	v     map[string][]float64
}

// run is DepthNet.forward of models/body/depth.py with its batch norms folded.
func (w weights) run(in map[string][]float64) []float64 {
	fine := w.conv(plane{32, in["t226"]}, "first", 1).relu()
	x, coarse := fine, plane{}
	for _, d := range []struct {
		name, join string
		side       int
	}{{"d16", "t251", 16}, {"d8", "t269", 8}, {"d4", "t316", 4}} {
		down := w.conv(w.conv(x, d.name+".shrink", 2), d.name+".mix", 1)
		x = down.plus(w.conv(plane{d.side, in[d.join]}, d.name+".join", 1)).relu()
		for b := range 2 {
			block := fmt.Sprintf("%s.blocks.%d.", d.name, b)
			grown := w.conv(w.conv(x, block+"wide", 1), block+"grow", 1).relu()
			x = x.plus(w.conv(grown, block+"shrink", 1))
		}
		if d.name == "d16" {
			coarse = x
		}
	}
	marks := slices.Clone(in["landmarks"])
	for i, v := range marks {
		if i%5 < 3 {
			marks[i] = v/128 - 1
		} else {
			marks[i] = min(max(v, -8), 8) / 8
		}
	}
	flat := w.linear(w.conv(x, "narrow", 1).relu().v, "flat")
	deep := w.linear(in["t335"], "deep")
	answer := w.linear(slices.Concat(marks, in["world"]), "answer")
	whole := rectified(w.linear(rectified(slices.Concat(flat, deep, answer)), "mid"))
	out := w.linear(whole, "out")
	for i, p := range jointPlaces(in["landmarks"]) {
		about := [][2]float64{{0, 0}, {8, 0}, {-8, 0}, {0, 8}, {0, -8}} // px of the square
		var near []float64                                              // channel by channel, the places of each together
		for k, off := range about {
			for c, v := range fine.at(p[0]+off[0], p[1]+off[1]) {
				if k == 0 {
					near = append(near, make([]float64, len(about))...)
				}
				near[c*len(about)+k] = v
			}
		}
		which := make([]float64, len(jointPoints))
		which[i] = 1
		each := slices.Concat(near, coarse.at(p[0], p[1]), whole, which)
		out = append(out, w.linear(rectified(w.linear(each, "near")), "place")...)
	}
	return out
}

// jointPoints are the points of PoseFull whose mean each joint starts from, as depth.py
// has them; the last is the head.
var jointPoints = [...][]int{{11}, {13}, {15}, {23}, {25}, {27}, {29}, {31}, {12}, {14}, {16}, {24}, {26}, {28}, {30}, {32}, {7, 8}}

// jointPlaces are the places of PoseFull, px of the square, held to it.
func jointPlaces(landmarks []float64) (out [len(jointPoints)][2]float64) {
	for i, list := range jointPoints {
		for c := range 2 {
			for _, k := range list {
				out[i][c] += landmarks[5*k+c] / float64(len(list))
			}
			out[i][c] = min(max(out[i][c], 0), 256)
		}
	}
	return out
}

// at samples all channels at a place of the 256 px square, straight between cells'
// middles; beyond the outermost the edge goes on.
func (p plane) at(x, y float64) []float64 {
	cell := func(v float64) (lo, hi int, f float64) {
		v = min(max(v*float64(p.side)/256-0.5, 0), float64(p.side-1))
		lo = int(v)
		return lo, min(lo+1, p.side-1), v - float64(lo)
	}
	c0, c1, fx := cell(x)
	r0, r1, fy := cell(y)
	cells := p.side * p.side
	out := make([]float64, len(p.v)/cells)
	for i := range out {
		v := func(r, c int) float64 { return p.v[i*cells+r*p.side+c] }
		out[i] = (1-fy)*((1-fx)*v(r0, c0)+fx*v(r0, c1)) + fy*((1-fx)*v(r1, c0)+fx*v(r1, c1))
	}
	return out
}

// conv pads by half the kernel; a layer whose weights have one input channel is
// depthwise.
func (w weights) conv(x plane, layer string, stride int) plane {
	shape := w.shape[layer+".weight"] // out, in or 1, k, k
	if len(shape) != 4 {
		w.t.Fatalf("%s: weights of shape %v", layer, shape)
	}
	kernel, bias := w.v[layer+".weight"], w.v[layer+".bias"]
	k, side, cells := shape[2], x.side/stride, x.side*x.side
	y := plane{side, make([]float64, shape[0]*side*side)}
	for o := range shape[0] {
		for cell := range side * side {
			s := bias[o]
			for i := range shape[1] {
				from := i
				if shape[1] == 1 {
					from = o
				}
				for tap := range k * k {
					row, col := cell/side*stride+tap/k-k/2, cell%side*stride+tap%k-k/2
					if row >= 0 && col >= 0 && row < x.side && col < x.side {
						s += kernel[(o*shape[1]+i)*k*k+tap] * x.v[from*cells+row*x.side+col]
					}
				}
			}
			y.v[o*side*side+cell] = s
		}
	}
	return y
}

func (w weights) linear(x []float64, layer string) []float64 {
	kernel, y := w.v[layer+".weight"], slices.Clone(w.v[layer+".bias"])
	if kernel == nil {
		kernel = w.turned(len(x), len(y))
	}
	if len(kernel) != len(x)*len(y) {
		w.t.Fatalf("%s: %d weights for %d in and %d out", layer, len(kernel), len(x), len(y))
	}
	for o := range y {
		for i, v := range x {
			y[o] += kernel[o*len(x)+i] * v
		}
	}
	return y
}

// turned is the kernel of a layer over several points at once, which the file keeps in by
// out and under no name of its own.
func (w weights) turned(in, out int) []float64 {
	for name, shape := range w.shape {
		if strings.HasPrefix(name, "onnx::MatMul") && slices.Equal(shape, []int{in, out}) {
			kernel := make([]float64, in*out)
			for i, v := range w.v[name] {
				kernel[i%out*in+i/out] = v
			}
			return kernel
		}
	}
	return nil
}

func rectified(x []float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = max(v, 0)
	}
	return y
}

func (p plane) relu() plane { return plane{p.side, rectified(p.v)} }

func (p plane) plus(q plane) plane {
	y := plane{p.side, slices.Clone(p.v)}
	for i, v := range q.v {
		y.v[i] += v
	}
	return y
}

// newLoops reads the float32 initialisers of an ONNX file. Field numbers are those
// of onnx.proto: a model's graph is 7, a graph's initialisers 5; a tensor's dims are
// 1, its name 8, its raw bytes, little-endian, 9.
func newLoops(t *testing.T, onnx []byte) weights {
	w := weights{t, map[string][]int{}, map[string][]float64{}}
	fields(onnx, func(n int, graph []byte, _ uint64) {
		if n != 7 {
			return
		}
		fields(graph, func(n int, tensor []byte, _ uint64) {
			if n != 5 {
				return
			}
			var name string
			var shape []int
			var raw []byte
			fields(tensor, func(n int, b []byte, v uint64) {
				switch n {
				case 1:
					shape = append(shape, int(v))
				case 8:
					name = string(b)
				case 9:
					raw = b
				}
			})
			v := make([]float64, len(raw)/4)
			for i := range v {
				v[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:])))
			}
			w.shape[name], w.v[name] = shape, v
		})
	})
	return w
}

// fields walks one protobuf message: bytes for wire type 2, else a number.
func fields(m []byte, f func(number int, b []byte, v uint64)) {
	for len(m) > 0 {
		key, n := binary.Uvarint(m)
		m = m[n:]
		switch key & 7 {
		case 0:
			v, n := binary.Uvarint(m)
			m = m[n:]
			f(int(key>>3), nil, v)
		case 2:
			size, n := binary.Uvarint(m)
			f(int(key>>3), m[n:n+int(size)], 0)
			m = m[n+int(size):]
		case 5:
			f(int(key>>3), nil, uint64(binary.LittleEndian.Uint32(m)))
			m = m[4:]
		case 1:
			f(int(key>>3), nil, binary.LittleEndian.Uint64(m))
			m = m[8:]
		}
	}
}
