package main

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"nightcage/models/convert/onnxfile"
	"nightcage/models/convert/tflite"
)

// output is a result of the TFLite network to keep, and its name in the ONNX file.
type output struct{ tflite, onnx string }

// inputName is what every converted network calls its picture.
const inputName = "image"

// translator turns a TFLite graph, channels last, into an ONNX graph, channels
// first. Four-dimensional values are NCHW throughout; other ranks keep TFLite's
// order, so a Reshape that flattens a map goes through a Transpose first.
type translator struct {
	m     *tflite.Model
	g     *onnxfile.Graph
	names []string // ONNX name of each TFLite tensor, once made
	made  map[string]bool
}

// translate converts the part of m that the kept outputs need. Constants stay
// float16 with a Cast beside them, which halves the file; the runtime folds the
// casts when it loads.
func translate(m *tflite.Model, name string, keep source) ([]byte, error) {
	if len(m.Inputs) != 1 {
		return nil, fmt.Errorf("%d inputs, want 1", len(m.Inputs))
	}
	t := &translator{m: m, g: onnxfile.NewGraph(name), names: make([]string, len(m.Tensors)), made: map[string]bool{}}
	in := m.Inputs[0]
	t.names[in] = inputName
	t.g.Input(inputName, nchw(m.Tensors[in].Shape)...)
	for _, o := range keep.outputs {
		i := slices.IndexFunc(m.Outputs, func(i int) bool { return m.Tensors[i].Name == o.tflite })
		if i < 0 {
			return nil, fmt.Errorf("no output named %q", o.tflite)
		}
		t.names[m.Outputs[i]] = o.onnx
		t.g.Output(o.onnx, nchw(m.Tensors[m.Outputs[i]].Shape)...)
	}
	needed := t.needed(keep.outputs)
	for _, i := range keep.inner {
		t.g.Output(t.value(i), nchw(m.Tensors[i].Shape)...)
	}
	for i, n := range m.Nodes {
		if !needed[i] || n.Op == tflite.Dequantize || n.Op == tflite.Densify {
			continue
		}
		if err := t.node(n); err != nil {
			return nil, fmt.Errorf("operator %d of %d (code %d): %w", i, len(m.Nodes), n.Op, err)
		}
	}
	return t.g.Encode(), nil
}

// needed marks the operators that the kept outputs depend on.
func (t *translator) needed(keep []output) []bool {
	want := make([]bool, len(t.m.Tensors))
	for _, i := range t.m.Outputs {
		want[i] = slices.ContainsFunc(keep, func(o output) bool { return o.tflite == t.m.Tensors[i].Name })
	}
	needed := make([]bool, len(t.m.Nodes))
	for i, n := range slices.Backward(t.m.Nodes) {
		if needed[i] = slices.ContainsFunc(n.Outputs, func(o int) bool { return want[o] }); needed[i] {
			for _, in := range n.Inputs {
				if in >= 0 {
					want[in] = true
				}
			}
		}
	}
	return needed
}

func (t *translator) node(n tflite.Node) error {
	in := &t.m.Tensors[n.Inputs[0]]
	out := &t.m.Tensors[n.Outputs[0]]
	x, y := t.value(n.Inputs[0]), t.value(n.Outputs[0])
	pre := y // what the operator proper writes, before a fused activation
	if n.Options.Activation != tflite.ActNone {
		pre = y + ":linear"
	}
	switch n.Op {
	case tflite.Conv2D, tflite.DepthwiseConv2D:
		t.conv(n, x, pre)
	case tflite.Add:
		if t.m.Tensors[n.Inputs[1]].Const() || in.Const() {
			return fmt.Errorf("addition of a constant is not translated")
		}
		t.g.Node("Add", []string{x, t.value(n.Inputs[1])}, pre)
	case tflite.Pad:
		rows := t.m.Tensors[n.Inputs[1]].Ints() // [N,H,W,C] x (before, after)
		if len(rows) != 8 {
			return fmt.Errorf("padding of rank %d", len(rows)/2)
		}
		t.g.Ints(y+":pads", rows[0], rows[6], rows[2], rows[4], rows[1], rows[7], rows[3], rows[5])
		t.g.Node("Pad", []string{x, y + ":pads"}, pre)
	case tflite.MaxPool2D:
		o := n.Options
		attrs := []onnxfile.Attr{onnxfile.IntsAttr("kernel_shape", o.FilterH, o.FilterW), onnxfile.IntsAttr("strides", o.StrideH, o.StrideW)}
		if !o.Valid {
			return fmt.Errorf("pooling with SAME padding is not translated")
		}
		t.g.Node("MaxPool", []string{x}, pre, attrs...)
	case tflite.ResizeBilinear:
		if n.Options.AlignCorners || !n.Options.HalfPixel {
			return fmt.Errorf("only half-pixel resizing is translated")
		}
		t.g.Ints(y+":size", nchw(out.Shape)...)
		t.g.Node("Resize", []string{x, "", "", y + ":size"}, pre,
			onnxfile.StringAttr("mode", "linear"),
			onnxfile.StringAttr("coordinate_transformation_mode", "half_pixel"))
	case tflite.DepthToSpace:
		t.g.Node("DepthToSpace", []string{x}, pre,
			onnxfile.IntAttr("blocksize", n.Options.BlockSize), onnxfile.StringAttr("mode", "DCR"))
	case tflite.Logistic:
		t.g.Node("Sigmoid", []string{x}, pre)
	case tflite.Reshape:
		if len(out.Shape) == 4 {
			return fmt.Errorf("reshaping to four dimensions is not translated")
		}
		if len(in.Shape) == 4 && in.Shape[1]*in.Shape[2] > 1 {
			t.g.Node("Transpose", []string{x}, y+":nhwc", onnxfile.IntsAttr("perm", 0, 2, 3, 1))
			x = y + ":nhwc"
		}
		t.g.Ints(y+":shape", out.Shape...)
		t.g.Node("Reshape", []string{x, y + ":shape"}, pre)
	case tflite.Concatenation:
		axis := n.Options.Axis
		if axis < 0 {
			axis += len(out.Shape)
		}
		if len(out.Shape) == 4 {
			axis = [4]int{0, 2, 3, 1}[axis]
		}
		var parts []string
		for _, i := range n.Inputs {
			parts = append(parts, t.value(i))
		}
		t.g.Node("Concat", parts, pre, onnxfile.IntAttr("axis", axis))
	default:
		return fmt.Errorf("not translated")
	}
	return t.activate(n.Options.Activation, pre, y)
}

// conv writes a convolution. TFLite keeps full weights as [out,kh,kw,in] and
// depthwise ones as [1,kh,kw,channels]; ONNX wants [out,in/groups,kh,kw].
func (t *translator) conv(n tflite.Node, x, y string) {
	in, w := &t.m.Tensors[n.Inputs[0]], &t.m.Tensors[n.Inputs[1]]
	kh, kw := w.Shape[1], w.Shape[2]
	perm, groups := [4]int{0, 3, 1, 2}, 1
	if n.Op == tflite.DepthwiseConv2D {
		perm, groups = [4]int{3, 0, 1, 2}, in.Shape[3]
	}
	o := n.Options
	attrs := []onnxfile.Attr{
		onnxfile.IntAttr("group", groups),
		onnxfile.IntsAttr("kernel_shape", kh, kw),
		onnxfile.IntsAttr("strides", o.StrideH, o.StrideW),
		onnxfile.IntsAttr("dilations", o.DilationH, o.DilationW),
	}
	if !o.Valid {
		top, bottom := samePadding(in.Shape[1], kh, o.StrideH, o.DilationH)
		left, right := samePadding(in.Shape[2], kw, o.StrideW, o.DilationW)
		attrs = append(attrs, onnxfile.IntsAttr("pads", top, left, bottom, right))
	}
	inputs := []string{x, t.constant(n.Inputs[1], perm[:])}
	if len(n.Inputs) > 2 && n.Inputs[2] >= 0 {
		inputs = append(inputs, t.constant(n.Inputs[2], nil))
	}
	t.g.Node("Conv", inputs, y, attrs...)
}

// samePadding is TensorFlow's rule: output ceil(in/stride), the odd pixel of
// padding at the end. ONNX's SAME_UPPER agrees, but explicit pads leave no doubt.
func samePadding(in, kernel, stride, dilation int) (before, after int) {
	out := (in + stride - 1) / stride
	total := max((out-1)*stride+(kernel-1)*dilation+1-in, 0)
	return total / 2, total - total/2
}

func (t *translator) activate(a tflite.Activation, from, to string) error {
	switch a {
	case tflite.ActNone:
	case tflite.ActRelu:
		t.g.Node("Relu", []string{from}, to)
	case tflite.ActRelu6:
		if !t.made["zero"] {
			t.made["zero"] = true
			t.scalar("zero", 0)
			t.scalar("six", 6)
		}
		t.g.Node("Clip", []string{from, "zero", "six"}, to)
	default:
		return fmt.Errorf("activation %d is not translated", a)
	}
	return nil
}

func (t *translator) scalar(name string, v float32) {
	t.g.Raw(name, onnxfile.Float, nil, binary.LittleEndian.AppendUint32(nil, math.Float32bits(v)))
}

// constant adds a constant, its axes permuted, as float16 with a cast, and
// returns the name to read it by.
func (t *translator) constant(i int, perm []int) string {
	c := &t.m.Tensors[i]
	name := t.value(i)
	if t.made[name] {
		return name
	}
	t.made[name] = true
	shape, data := c.Shape, c.Data
	size := len(data) / c.Len()
	if perm != nil {
		shape, data = permute(c.Shape, c.Data, size, perm)
	}
	if c.Type == tflite.Float16 {
		t.g.Raw(name+":half", onnxfile.Float16, shape, data)
		t.g.Node("Cast", []string{name + ":half"}, name, onnxfile.IntAttr("to", int(onnxfile.Float)))
	} else {
		t.g.Raw(name, onnxfile.Float, shape, data)
	}
	return name
}

// permute reorders a four-dimensional array so that its new axis k is the old
// axis perm[k].
func permute(shape []int, data []byte, size int, perm []int) ([]int, []byte) {
	strides := [4]int{shape[1] * shape[2] * shape[3], shape[2] * shape[3], shape[3], 1}
	to := make([]int, 4)
	for k, p := range perm {
		to[k] = shape[p]
	}
	out := make([]byte, 0, len(data))
	for a := range to[0] {
		for b := range to[1] {
			for c := range to[2] {
				for d := range to[3] {
					at := size * (a*strides[perm[0]] + b*strides[perm[1]] + c*strides[perm[2]] + d*strides[perm[3]])
					out = append(out, data[at:at+size]...)
				}
			}
		}
	}
	return to, out
}

// value names a tensor in the ONNX graph. TFLite's own names can be hundreds of
// letters long and need not be unique, so each gets its number.
func (t *translator) value(i int) string {
	if t.names[i] == "" {
		t.names[i] = fmt.Sprintf("t%d", i)
	}
	return t.names[i]
}

func nchw(shape []int) []int {
	if len(shape) != 4 {
		return shape
	}
	return []int{shape[0], shape[3], shape[1], shape[2]}
}
