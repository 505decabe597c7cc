package analysis

import (
	"bytes"
	"encoding/binary"
	"image"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"gocv.io/x/gocv"
	"google.golang.org/protobuf/encoding/protowire"

	"nightcage/models"
	"nightcage/vision"
	"nightcage/vision/clip"
)

// Numbers of onnx.proto: fields of its messages and element types.
const (
	modelGraph, graphNode, graphConstant              = 7, 1, 5
	nodeInput, nodeOutput, nodeOp, nodeAttribute      = 1, 2, 4, 5
	attributeName, attributeFloat, attributeType      = 1, 2, 20
	tensorDims, tensorType, tensorName, tensorContent = 1, 2, 8, 9
	elementFloat, kindFloat                           = 1, 1
)

// widened is a network of models as OpenCV 4.6 reads it. It refuses weights of 16 bits:
// constants that models/convert named NAME:half become NAME, of 32, as their casts make
// them; the casts go. And it wants the bounds of a Clip, which are 0 and 6 in all of
// them, as attributes.
func widened(onnx []byte) ([]byte, error) {
	return rewrite(onnx, func(n protowire.Number, graph []byte) ([]byte, error) {
		if n != modelGraph {
			return graph, nil
		}
		return rewrite(graph, func(n protowire.Number, part []byte) ([]byte, error) {
			switch n {
			case graphNode:
				switch op := string(field(part, nodeOp)); {
				case op == "Cast" && bytes.HasSuffix(field(part, nodeInput), []byte(":half")):
					return nil, nil
				case op == "Clip":
					return clipNode(part), nil
				}
			case graphConstant:
				if name, half := bytes.CutSuffix(field(part, tensorName), []byte(":half")); half {
					return widenedTensor(part, name)
				}
			}
			return part, nil
		})
	})
}

func clipNode(node []byte) (out []byte) {
	for _, n := range []protowire.Number{nodeInput, nodeOutput, nodeOp} {
		out = put(out, n, field(node, n))
	}
	for _, bound := range []struct {
		name string
		at   float32
	}{{"min", 0}, {"max", 6}} {
		attribute := put(nil, attributeName, []byte(bound.name))
		attribute = protowire.AppendFixed32(protowire.AppendTag(attribute, attributeFloat, protowire.Fixed32Type), math.Float32bits(bound.at))
		attribute = protowire.AppendVarint(protowire.AppendTag(attribute, attributeType, protowire.VarintType), kindFloat)
		out = put(out, nodeAttribute, attribute)
	}
	return out
}

// put appends a field of bytes to a message.
func put(message []byte, n protowire.Number, value []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(message, n, protowire.BytesType), value)
}

func widenedTensor(tensor, name []byte) (out []byte, err error) {
	halves := field(tensor, tensorContent)
	for b := tensor; len(b) > 0; {
		n, _, size := protowire.ConsumeField(b)
		if size < 0 {
			return nil, protowire.ParseError(size)
		}
		if n == tensorDims {
			out = append(out, b[:size]...)
		}
		b = b[size:]
	}
	content := make([]byte, 0, 2*len(halves))
	for ; len(halves) >= 2; halves = halves[2:] {
		content = binary.LittleEndian.AppendUint32(content, math.Float32bits(fromHalf(binary.LittleEndian.Uint16(halves))))
	}
	out = protowire.AppendVarint(protowire.AppendTag(out, tensorType, protowire.VarintType), elementFloat)
	return put(put(out, tensorName, name), tensorContent, content), nil
}

// fromHalf is the value of IEEE 754's binary16.
func fromHalf(h uint16) float32 {
	exponent, fraction := int(h>>10&31), float64(h&1023)
	v := math.Ldexp(fraction, -24) // subnormal
	switch {
	case exponent == 31 && fraction == 0:
		v = math.Inf(1)
	case exponent == 31:
		v = math.NaN()
	case exponent > 0:
		v = math.Ldexp(1024+fraction, exponent-25)
	}
	if h&0x8000 != 0 {
		v = -v
	}
	return float32(v)
}

// rewrite replaces a message's fields of bytes by what with makes of them; nil drops one.
func rewrite(message []byte, with func(protowire.Number, []byte) ([]byte, error)) (out []byte, err error) {
	for len(message) > 0 {
		n, kind, size := protowire.ConsumeField(message)
		if size < 0 {
			return nil, protowire.ParseError(size)
		}
		whole := message[:size]
		message = message[size:]
		if kind != protowire.BytesType {
			out = append(out, whole...)
			continue
		}
		_, _, tag := protowire.ConsumeTag(whole)
		value, _ := protowire.ConsumeBytes(whole[tag:])
		made, err := with(n, value)
		if err != nil {
			return nil, err
		}
		if made != nil {
			out = put(out, n, made)
		}
	}
	return out, nil
}

// field is a message's first field of bytes with the number, nil without.
func field(message []byte, number protowire.Number) []byte {
	for len(message) > 0 {
		n, kind, size := protowire.ConsumeField(message)
		if size < 0 {
			return nil
		}
		if n == number && kind == protowire.BytesType {
			_, _, tag := protowire.ConsumeTag(message)
			value, _ := protowire.ConsumeBytes(message[tag:])
			return value
		}
		message = message[size:]
	}
	return nil
}

// opencvPose is the pose network in OpenCV's own dnn.
type opencvPose struct{ net gocv.Net }

func openOpencvPose(t testing.TB) opencvPose {
	t.Helper()
	onnx, err := os.ReadFile(filepath.Join("..", "..", "models", string(models.PoseFull)+".onnx"))
	if err != nil {
		t.Fatal(err)
	}
	if onnx, err = widened(onnx); err != nil {
		t.Fatal(err)
	}
	net, err := gocv.ReadNetFromONNXBytes(onnx)
	if err != nil {
		t.Fatal(err)
	}
	if net.Empty() {
		t.Fatal("OpenCV read no network")
	}
	return opencvPose{net}
}

// poseSide is the width and height of the pose network's input, px.
const poseSide = 256

// blob is a picture squeezed into the network's square. Close it.
func (o *opencvPose) blob(bgr gocv.Mat) gocv.Mat {
	return gocv.BlobFromImage(bgr, 1.0/255, image.Pt(poseSide, poseSide), gocv.Scalar{}, true, false)
}

// run gives the landmarks. Close them.
func (o *opencvPose) run(blob gocv.Mat) gocv.Mat {
	o.net.SetInput(blob, "image")
	return o.net.Forward("landmarks")
}

// opencvLoop is the loop that most would write, in processor time: read is that of
// reading each of the clip's pictures as BGR, blob and run are those of one picture.
func opencvLoop(b *testing.B, path string, pictures int) (read, blob, run time.Duration) {
	b.Helper()
	t := spent(b)
	v, err := gocv.VideoCaptureFile(path)
	if err != nil {
		b.Fatal(err)
	}
	defer v.Close()
	bgr, first := gocv.NewMat(), gocv.NewMat()
	defer bgr.Close()
	defer first.Close()
	n := 0
	for ; v.Read(&bgr); n++ {
		if n == 0 {
			bgr.CopyTo(&first)
		}
	}
	read = spent(b) - t
	if n == 0 || n != pictures {
		b.Fatalf("OpenCV reads %d pictures of %s, not %d", n, path, pictures)
	}
	pose := openOpencvPose(b)
	defer pose.net.Close()
	blob, _ = price(b, func() error { m := pose.blob(first); return m.Close() })
	in := pose.blob(first)
	defer in.Close()
	run, _ = price(b, func() error { m := pose.run(in); return m.Close() })
	return read, blob, run
}

// What OpenCV runs is the network that we run: its landmarks in a picture are those of
// ONNX Runtime.
func TestOpencvRunsThePoseNetwork(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(clips, "s77001_00.mp4")
	c, err := clip.Probe(ctx, path, vision.Subject{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	f, err := r.Next(ctx)
	if err != nil {
		t.Fatal(err)
	}
	person := f.BGR.Region(image.Rect(400, 60, 960, 620)) // where the hitter stands
	defer person.Close()
	pose := openOpencvPose(t)
	defer pose.net.Close()
	blob := pose.blob(person)
	defer blob.Close()
	marks := pose.run(blob)
	defer marks.Close()
	got, err := marks.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	session, err := models.Open(ctx, models.PoseFull)
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	in, err := blob.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	copy(session.Input(0), in)
	if err := session.Run(ctx); err != nil {
		t.Fatal(err)
	}
	want := session.Output(0)
	if presence := session.Output(1)[0]; presence < 0.5 {
		t.Fatalf("the square shows nobody: presence %.2f", presence)
	}
	if len(got) != len(want) {
		t.Fatalf("%d numbers, want %d", len(got), len(want))
	}
	// Sums in another order: some hundred roundings of 2^-24 each of numbers up to the
	// side of the square.
	const within = 0.005
	for i := range want {
		if d := math.Abs(float64(got[i] - want[i])); !(d <= within) {
			t.Errorf("number %d: %v, want %v", i, got[i], want[i])
		}
	}
	if slices.Max(want)-slices.Min(want) < 50 {
		t.Errorf("landmarks lie within %v of each other", slices.Max(want)-slices.Min(want))
	}
}

func TestHalfIsWidened(t *testing.T) {
	// IEEE 754-2019, binary16: one; the largest, the smallest normal and subnormal numbers.
	for h, want := range map[uint16]float64{0x3c00: 1, 0xc000: -2, 0x7bff: 65504, 0x0400: 0x1p-14, 0x0001: 0x1p-24, 0x8000: 0} {
		if got := fromHalf(h); float64(got) != want {
			t.Errorf("%#04x: %v, want %v", h, got, want)
		}
	}
}
