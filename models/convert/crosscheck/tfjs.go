package main

import (
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"nightcage/models/convert/tflite"
)

// tfjsGraph is a TensorFlow.js graph model: a GraphDef in JSON and its weights.
type tfjsGraph struct {
	nodes  map[string]tfjsNode
	consts map[string]*array
	done   map[string]*array
}

type tfjsNode struct {
	Name, Op string
	Input    []string
	Attr     map[string]tfjsAttr
}

type tfjsAttr struct {
	S    string
	B    bool
	List struct{ I, S []string }
}

type tfjsFile struct {
	ModelTopology   struct{ Node []tfjsNode }
	WeightsManifest []struct {
		Paths   []string
		Weights []struct {
			Name, Dtype  string
			Shape        []int
			Quantization struct{ Dtype string }
		}
	}
}

func readTFJS(path string) (*tfjsGraph, error) {
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var file tfjsFile
	if err := json.Unmarshal(raw, &file); err != nil {
		return nil, fmt.Errorf("reading %s: %w", path, err)
	}
	g := &tfjsGraph{map[string]tfjsNode{}, map[string]*array{}, map[string]*array{}}
	for _, n := range file.ModelTopology.Node {
		g.nodes[n.Name] = n
	}
	for _, group := range file.WeightsManifest {
		var data []byte
		for _, p := range group.Paths {
			part, err := os.ReadFile(filepath.Join(filepath.Dir(path), p))
			if err != nil {
				return nil, err
			}
			data = append(data, part...)
		}
		for _, w := range group.Weights {
			a := newArray(w.Shape...)
			for i := range a.data {
				switch {
				case w.Quantization.Dtype == "float16":
					a.data[i] = tflite.HalfToFloat(binary.LittleEndian.Uint16(data))
					data = data[2:]
				case w.Dtype == "float32":
					a.data[i] = math.Float32frombits(binary.LittleEndian.Uint32(data))
					data = data[4:]
				case w.Dtype == "int32":
					a.data[i] = float32(int32(binary.LittleEndian.Uint32(data)))
					data = data[4:]
				default:
					return nil, fmt.Errorf("weight %s: element type %s", w.Name, w.Dtype)
				}
			}
			g.consts[w.Name] = a
		}
		if len(data) != 0 {
			return nil, fmt.Errorf("%d bytes of weights left over", len(data))
		}
	}
	return g, nil
}

// eval computes a node for the given picture, which must stay the same from
// call to call.
func (g *tfjsGraph) eval(name string, picture *array) (*array, error) {
	if a := g.consts[name]; a != nil {
		return a, nil
	}
	if a := g.done[name]; a != nil {
		return a, nil
	}
	n, ok := g.nodes[name]
	if !ok {
		return nil, fmt.Errorf("no node %q", name)
	}
	var in []*array
	for _, i := range n.Input {
		a, err := g.eval(i, picture)
		if err != nil {
			return nil, err
		}
		in = append(in, a)
	}
	out, err := n.apply(in, picture)
	if err != nil {
		return nil, fmt.Errorf("node %s (%s): %w", name, n.Op, err)
	}
	g.done[name] = out
	return out, nil
}

func (n tfjsNode) apply(in []*array, picture *array) (*array, error) {
	switch n.Op {
	case "Placeholder":
		return picture, nil
	case "Identity":
		return in[0], nil
	case "_FusedConv2D", "FusedDepthwiseConv2dNative":
		fused, err := n.fusedOps()
		if err != nil {
			return nil, err
		}
		if fused[0] != "BiasAdd" || len(in) != 3 {
			return nil, fmt.Errorf("fused operations %v", fused)
		}
		var y *array
		if n.Op == "_FusedConv2D" {
			y = conv(in[0], in[1], in[2], n.window())
		} else {
			w := in[1]
			y = depthwise(in[0], &array{w.shape[:3], w.data}, in[2], n.window())
		}
		switch {
		case len(fused) == 1:
			return y, nil
		case slices.Equal(fused[1:], []string{"Relu6"}):
			return mapped(y, relu6), nil
		case slices.Equal(fused[1:], []string{"Relu"}):
			return mapped(y, relu), nil
		}
		return nil, fmt.Errorf("fused operations %v", fused)
	case "AddV2":
		return add(in[0], in[1]), nil
	case "Relu6":
		return mapped(in[0], relu6), nil
	case "Sigmoid":
		return mapped(in[0], sigmoid), nil
	case "Pad":
		return pad(in[0], in[1].ints()), nil
	case "ResizeBilinear":
		if n.Attr["align_corners"].B || !n.Attr["half_pixel_centers"].B {
			return nil, fmt.Errorf("not half-pixel")
		}
		return resize(in[0], int(in[1].data[0]), int(in[1].data[1])), nil
	case "MaxPool":
		k := n.Attr["ksize"].ints()
		return maxPool(in[0], k[1], k[2], n.window()), nil
	case "Reshape":
		shape := in[1].ints()
		if shape[0] < 0 {
			shape[0] = 1
		}
		return &array{shape, in[0].data}, nil
	}
	return nil, fmt.Errorf("not an operation this evaluator knows")
}

func (n tfjsNode) window() window {
	w := window{dilateH: 1, dilateW: 1}
	s := n.Attr["strides"].ints()
	w.strideH, w.strideW = s[1], s[2]
	if d := n.Attr["dilations"].ints(); len(d) == 4 {
		w.dilateH, w.dilateW = d[1], d[2]
	}
	w.same = strings.HasPrefix(decode64(n.Attr["padding"].S), "SAME")
	return w
}

func (n tfjsNode) fusedOps() ([]string, error) {
	var ops []string
	for _, s := range n.Attr["fused_ops"].List.S {
		ops = append(ops, decode64(s))
	}
	if len(ops) == 0 {
		return nil, fmt.Errorf("no fused operations")
	}
	return ops, nil
}

func decode64(s string) string {
	b, err := base64.StdEncoding.DecodeString(s)
	if err != nil {
		return s
	}
	return string(b)
}

func (a tfjsAttr) ints() []int {
	var out []int
	for _, s := range a.List.I {
		v, err := strconv.Atoi(s)
		if err != nil {
			return nil
		}
		out = append(out, v)
	}
	return out
}

func (a *array) ints() []int {
	out := make([]int, len(a.data))
	for i, v := range a.data {
		out[i] = int(v)
	}
	return out
}
