// Package onnxfile writes ONNX models: as much of onnx.proto (IR version 8,
// operator set 13) as the pose networks need, with no protobuf library. The
// same graph always gives the same bytes.
package onnxfile

import "encoding/binary"

// DataType is an element type of onnx.proto's TensorProto.
type DataType int64

// Element types by their number in onnx.proto.
const (
	Float   DataType = 1
	Int64   DataType = 7
	Float16 DataType = 10
)

const (
	irVersion = 8
	opset     = 13
)

// Graph is a model under construction.
type Graph struct {
	name                           string
	nodes, initialisers, ins, outs []message
}

// NewGraph starts an empty graph.
func NewGraph(name string) *Graph { return &Graph{name: name} }

// Attr is one attribute of a node.
type Attr struct{ encoded message }

// Attribute kinds by their number in onnx.proto's AttributeProto.
const (
	attrInt    = 2
	attrString = 3
	attrInts   = 7
)

func newAttr(name string, kind int64, fill func(*message)) Attr {
	var m message
	m.string(1, name)
	fill(&m)
	m.int(20, kind)
	return Attr{m}
}

// IntAttr is an integer attribute.
func IntAttr(name string, v int) Attr {
	return newAttr(name, attrInt, func(m *message) { m.int(3, int64(v)) })
}

// StringAttr is a string attribute.
func StringAttr(name, v string) Attr {
	return newAttr(name, attrString, func(m *message) { m.string(4, v) })
}

// IntsAttr is a list-of-integers attribute.
func IntsAttr(name string, vs ...int) Attr {
	return newAttr(name, attrInts, func(m *message) {
		for _, v := range vs {
			m.int(8, int64(v))
		}
	})
}

// Node appends an operator; nodes must come after those whose outputs they
// read. An empty input name is an optional input left out.
func (g *Graph) Node(op string, inputs []string, output string, attrs ...Attr) {
	var m message
	for _, in := range inputs {
		m.string(1, in)
	}
	m.string(2, output)
	m.string(3, op+":"+output)
	m.string(4, op)
	for _, a := range attrs {
		m.bytes(5, a.encoded)
	}
	g.nodes = append(g.nodes, m)
}

// Raw adds a constant whose data are little-endian elements, row-major.
func (g *Graph) Raw(name string, t DataType, shape []int, data []byte) {
	var m message
	for _, d := range shape {
		m.int(1, int64(d))
	}
	m.int(2, int64(t))
	m.string(8, name)
	m.bytes(9, data)
	g.initialisers = append(g.initialisers, m)
}

// Ints adds a one-dimensional int64 constant.
func (g *Graph) Ints(name string, vs ...int) {
	var raw []byte
	for _, v := range vs {
		raw = binary.LittleEndian.AppendUint64(raw, uint64(v))
	}
	g.Raw(name, Int64, []int{len(vs)}, raw)
}

// Input declares a float32 graph input.
func (g *Graph) Input(name string, shape ...int) { g.ins = append(g.ins, valueInfo(name, shape)) }

// Output declares a float32 graph output.
func (g *Graph) Output(name string, shape ...int) { g.outs = append(g.outs, valueInfo(name, shape)) }

func valueInfo(name string, shape []int) message {
	var dims, tensor, kind, m message
	for _, d := range shape {
		var dim message
		dim.int(1, int64(d))
		dims.bytes(1, dim)
	}
	tensor.int(1, int64(Float))
	tensor.bytes(2, dims)
	kind.bytes(1, tensor)
	m.string(1, name)
	m.bytes(2, kind)
	return m
}

// Encode gives the model file's bytes.
func (g *Graph) Encode() []byte {
	var graph, set, model message
	for _, n := range g.nodes {
		graph.bytes(1, n)
	}
	graph.string(2, g.name)
	for _, t := range g.initialisers {
		graph.bytes(5, t)
	}
	for _, v := range g.ins {
		graph.bytes(11, v)
	}
	for _, v := range g.outs {
		graph.bytes(12, v)
	}
	set.string(1, "")
	set.int(2, opset)
	model.int(1, irVersion)
	model.string(2, "nightcage models/convert")
	model.bytes(7, graph)
	model.bytes(8, set)
	return model
}
