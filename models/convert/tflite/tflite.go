// Package tflite reads the parts of a TensorFlow Lite model file that the pose
// networks use: tensors, constant data (dense or sparse, float32 or float16)
// and the list of operators. The layout is that of the public schema.fbs; slot
// numbers below are its field numbers.
package tflite

import (
	"encoding/binary"
	"fmt"
	"math"
)

// Op is a builtin operator code.
type Op int32

// The operators that the pose networks use, by their number in schema.fbs.
const (
	Add             Op = 0
	Concatenation   Op = 2
	Conv2D          Op = 3
	DepthwiseConv2D Op = 4
	DepthToSpace    Op = 5
	Dequantize      Op = 6
	Logistic        Op = 14
	MaxPool2D       Op = 17
	Reshape         Op = 22
	ResizeBilinear  Op = 23
	Pad             Op = 34
	Densify         Op = 124
)

// Type is a tensor's element type.
type Type int8

// Element types, by their number in schema.fbs.
const (
	Float32 Type = 0
	Float16 Type = 1
	Int32   Type = 2
)

// Activation is the function fused into an operator's output.
type Activation int8

// Fused activations, by their number in schema.fbs.
const (
	ActNone  Activation = 0
	ActRelu  Activation = 1
	ActRelu6 Activation = 3
)

// Tensor is one value of the graph. Data is nil unless it is a constant; then
// it holds the elements row-major in little-endian form, dense.
type Tensor struct {
	Name  string
	Shape []int
	Type  Type
	Data  []byte
}

// Len is the number of elements.
func (t *Tensor) Len() int {
	n := 1
	for _, d := range t.Shape {
		n *= d
	}
	return n
}

// Const reports whether the tensor's value is in the file.
func (t *Tensor) Const() bool { return t.Data != nil }

// Floats returns a constant's elements; float16 widens exactly.
func (t *Tensor) Floats() []float32 {
	out := make([]float32, t.Len())
	for i := range out {
		if t.Type == Float16 {
			out[i] = HalfToFloat(binary.LittleEndian.Uint16(t.Data[2*i:]))
		} else {
			out[i] = math.Float32frombits(binary.LittleEndian.Uint32(t.Data[4*i:]))
		}
	}
	return out
}

// Ints returns an int32 constant's elements.
func (t *Tensor) Ints() []int {
	out := make([]int, t.Len())
	for i := range out {
		out[i] = int(int32(binary.LittleEndian.Uint32(t.Data[4*i:])))
	}
	return out
}

// Node is one operator. Inputs and Outputs index Model.Tensors; -1 is an
// input left out.
type Node struct {
	Op              Op
	Inputs, Outputs []int
	Options         Options
}

// Options holds the options of every operator in use; each reads its own.
type Options struct {
	Valid                bool // padding VALID; else SAME
	StrideW, StrideH     int
	DilationW, DilationH int
	FilterW, FilterH     int // pooling window
	Activation           Activation
	Axis                 int  // concatenation
	BlockSize            int  // depth to space
	AlignCorners         bool // resize
	HalfPixel            bool // resize
}

// Model is a file with one subgraph.
type Model struct {
	Tensors         []Tensor
	Nodes           []Node
	Inputs, Outputs []int
}

// Parse reads a model. Errors wrap ErrCorrupt when the bytes are not a
// flatbuffer, and name the operator or type when it is one we do not read.
// Sparse constants come back dense; Dequantize and Densify of constants are
// left in the node list with their output tensors constant as well.
func Parse(buf []byte) (m *Model, err error) {
	defer func() {
		if r := recover(); r != nil {
			m, err = nil, fmt.Errorf("%w: %v", ErrCorrupt, r)
		}
	}()
	if len(buf) < 8 || string(buf[4:8]) != "TFL3" {
		return nil, fmt.Errorf("%w: no TFL3 mark", ErrCorrupt)
	}
	root := rootTable(buf)
	graphs := root.tables(2)
	if len(graphs) != 1 {
		return nil, fmt.Errorf("model has %d subgraphs, want 1", len(graphs))
	}
	buffers := root.tables(4)
	m = &Model{Inputs: ints(graphs[0].int32s(1)), Outputs: ints(graphs[0].int32s(2))}
	for _, t := range graphs[0].tables(0) {
		tensor := Tensor{Name: string(t.bytes(3)), Shape: ints(t.int32s(0)), Type: Type(t.int8(1, 0))}
		if data := buffers[t.int32(2, 0)].bytes(0); len(data) > 0 {
			tensor.Data = data
			if sparsity, ok := t.sub(6); ok {
				if tensor.Data, err = densify(sparsity, &tensor); err != nil {
					return nil, fmt.Errorf("tensor %q: %w", tensor.Name, err)
				}
			}
			if want := tensor.Len() * elemSize(tensor.Type); len(tensor.Data) != want {
				return nil, fmt.Errorf("tensor %q: %d bytes of data, want %d", tensor.Name, len(tensor.Data), want)
			}
		}
		m.Tensors = append(m.Tensors, tensor)
	}
	codes := root.tables(1)
	for _, o := range graphs[0].tables(3) {
		code := codes[o.int32(0, 0)]
		node := Node{
			Op:      max(Op(code.int8(0, 0)), Op(code.int32(3, 0))),
			Inputs:  ints(o.int32s(1)),
			Outputs: ints(o.int32s(2)),
		}
		opts, _ := o.sub(4)
		if node.Options, err = readOptions(node.Op, opts); err != nil {
			return nil, err
		}
		if node.Op == Dequantize || node.Op == Densify {
			in, out := &m.Tensors[node.Inputs[0]], &m.Tensors[node.Outputs[0]]
			if !in.Const() {
				return nil, fmt.Errorf("operator %d on %q, which is not constant", node.Op, in.Name)
			}
			out.Data, out.Type = in.Data, in.Type
		}
		m.Nodes = append(m.Nodes, node)
	}
	return m, nil
}

func readOptions(op Op, t table) (Options, error) {
	var o Options
	if t.buf == nil && op != Dequantize && op != Densify && op != Logistic && op != Pad && op != Reshape {
		return o, fmt.Errorf("operator %d has no options", op)
	}
	switch op {
	case Conv2D:
		o.Valid = t.int8(0, 0) == 1
		o.StrideW, o.StrideH = int(t.int32(1, 0)), int(t.int32(2, 0))
		o.Activation = Activation(t.int8(3, 0))
		o.DilationW, o.DilationH = int(t.int32(4, 1)), int(t.int32(5, 1))
	case DepthwiseConv2D:
		o.Valid = t.int8(0, 0) == 1
		o.StrideW, o.StrideH = int(t.int32(1, 0)), int(t.int32(2, 0))
		o.Activation = Activation(t.int8(4, 0))
		o.DilationW, o.DilationH = int(t.int32(5, 1)), int(t.int32(6, 1))
	case MaxPool2D:
		o.Valid = t.int8(0, 0) == 1
		o.StrideW, o.StrideH = int(t.int32(1, 0)), int(t.int32(2, 0))
		o.FilterW, o.FilterH = int(t.int32(3, 0)), int(t.int32(4, 0))
		o.Activation = Activation(t.int8(5, 0))
	case Add:
		o.Activation = Activation(t.int8(0, 0))
	case Concatenation:
		o.Axis = int(t.int32(0, 0))
		o.Activation = Activation(t.int8(1, 0))
	case DepthToSpace:
		o.BlockSize = int(t.int32(0, 0))
	case ResizeBilinear:
		o.AlignCorners, o.HalfPixel = t.int8(2, 0) != 0, t.int8(3, 0) != 0
	case Dequantize, Densify, Logistic, Pad, Reshape:
	default:
		return o, fmt.Errorf("operator %d is not one this reader knows", op)
	}
	switch o.Activation {
	case ActNone, ActRelu, ActRelu6:
	default:
		return o, fmt.Errorf("operator %d: fused activation %d is not one this reader knows", op, o.Activation)
	}
	return o, nil
}

// densify lays a sparse constant out densely. Supported is what the files use:
// dimensions in their natural order, no blocks, each dense or compressed (CSR).
func densify(s table, t *Tensor) ([]byte, error) {
	dims := s.tables(2)
	if len(dims) != len(t.Shape) || len(s.int32s(1)) != 0 {
		return nil, fmt.Errorf("sparse layout with blocks is not supported")
	}
	for i, d := range s.int32s(0) {
		if int(d) != i {
			return nil, fmt.Errorf("sparse traversal order %v is not supported", s.int32s(0))
		}
	}
	size := elemSize(t.Type)
	out := make([]byte, t.Len()*size)
	next := 0 // values are stored in the order the walk meets them
	var walk func(level, outer, flat int) error
	walk = func(level, outer, flat int) error {
		if level == len(dims) {
			copy(out[flat*size:(flat+1)*size], t.Data[outer*size:])
			next++
			return nil
		}
		n := t.Shape[level]
		if dims[level].int8(0, 0) == 0 { // dense
			for i := range n {
				if err := walk(level+1, outer*n+i, flat*n+i); err != nil {
					return err
				}
			}
			return nil
		}
		segments, err := indexVector(dims[level], 2)
		if err != nil {
			return err
		}
		indices, err := indexVector(dims[level], 4)
		if err != nil {
			return err
		}
		for k := segments[outer]; k < segments[outer+1]; k++ {
			if err := walk(level+1, int(k), flat*n+int(indices[k])); err != nil {
				return err
			}
		}
		return nil
	}
	if err := walk(0, 0, 0); err != nil {
		return nil, err
	}
	if next*size != len(t.Data) {
		return nil, fmt.Errorf("sparse walk placed %d of %d values", next, len(t.Data)/size)
	}
	return out, nil
}

// indexVector reads the union at slot (type) and slot+1 (table of one vector).
func indexVector(d table, slot int) ([]int32, error) {
	v, ok := d.sub(slot + 1)
	if !ok {
		return nil, fmt.Errorf("sparse dimension without its index vector")
	}
	switch kind := d.int8(slot, 0); kind {
	case 1:
		return v.int32s(0), nil
	case 2:
		return v.uint16s(0), nil
	case 3:
		return v.uint8s(0), nil
	default:
		return nil, fmt.Errorf("sparse index vector of kind %d", kind)
	}
}

func elemSize(t Type) int {
	if t == Float16 {
		return 2
	}
	return 4
}

func ints(in []int32) []int {
	out := make([]int, len(in))
	for i, v := range in {
		out[i] = int(v)
	}
	return out
}
