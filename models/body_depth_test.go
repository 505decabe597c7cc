package models

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
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
	x := w.conv(plane{32, in["t226"]}, "first", 1).relu()
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
	mid := w.linear(rectified(slices.Concat(flat, deep, answer)), "mid")
	return w.linear(rectified(mid), "out")
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
