package main

import (
	"fmt"

	"nightcage/models/convert/tflite"
)

// evalTFLite runs a TFLite graph as it stands, channels last, on one picture
// and returns the output of that name.
func evalTFLite(m *tflite.Model, picture *array, outputs ...string) (map[string]*array, error) {
	values := make([]*array, len(m.Tensors))
	values[m.Inputs[0]] = picture
	for i, n := range m.Nodes {
		if n.Op == tflite.Dequantize || n.Op == tflite.Densify {
			continue // their outputs are constants already
		}
		y, err := applyTFLite(m, n, values)
		if err != nil {
			return nil, fmt.Errorf("operator %d (code %d): %w", i, n.Op, err)
		}
		switch n.Options.Activation {
		case tflite.ActRelu:
			y = mapped(y, relu)
		case tflite.ActRelu6:
			y = mapped(y, relu6)
		}
		values[n.Outputs[0]] = y
	}
	out := map[string]*array{}
	for _, i := range m.Outputs {
		out[m.Tensors[i].Name] = values[i]
	}
	for _, name := range outputs {
		if out[name] == nil {
			return nil, fmt.Errorf("no output %q", name)
		}
	}
	return out, nil
}

func applyTFLite(m *tflite.Model, n tflite.Node, values []*array) (*array, error) {
	x, o := values[n.Inputs[0]], n.Options
	w := window{same: !o.Valid, strideH: o.StrideH, strideW: o.StrideW, dilateH: o.DilationH, dilateW: o.DilationW}
	constant := func(i int) *tflite.Tensor { return &m.Tensors[n.Inputs[i]] }
	switch n.Op {
	case tflite.Conv2D:
		k, b := constant(1), constant(2)
		return conv(x, outputsLast(k), &array{b.Shape, b.Floats()}, w), nil
	case tflite.DepthwiseConv2D:
		k, b := constant(1), constant(2)
		return depthwise(x, &array{k.Shape[1:], k.Floats()}, &array{b.Shape, b.Floats()}, w), nil
	case tflite.Add:
		return add(x, values[n.Inputs[1]]), nil
	case tflite.Pad:
		return pad(x, constant(1).Ints()), nil
	case tflite.MaxPool2D:
		w.dilateH, w.dilateW = 1, 1
		return maxPool(x, o.FilterH, o.FilterW, w), nil
	case tflite.ResizeBilinear:
		size := constant(1).Ints()
		return resize(x, size[0], size[1]), nil
	case tflite.DepthToSpace:
		return depthToSpace(x, o.BlockSize), nil
	case tflite.Logistic:
		return mapped(x, sigmoid), nil
	case tflite.Reshape:
		return &array{m.Tensors[n.Outputs[0]].Shape, x.data}, nil
	case tflite.Concatenation:
		var parts []*array
		for _, i := range n.Inputs {
			parts = append(parts, values[i])
		}
		return concatMiddle(parts)
	}
	return nil, fmt.Errorf("not an operation this evaluator knows")
}

// outputsLast turns weights [out,kh,kw,in] into [kh,kw,in,out].
func outputsLast(t *tflite.Tensor) *array {
	out, rest := t.Shape[0], t.Len()/t.Shape[0]
	from := t.Floats()
	y := newArray(t.Shape[1], t.Shape[2], t.Shape[3], out)
	for o := range out {
		for i := range rest {
			y.data[i*out+o] = from[o*rest+i]
		}
	}
	return y
}
