// Command convert makes an ONNX file from one of the TFLite pose networks.
//
//	convert -net pose_full -in pose_landmark_full.tflite -out pose_full.onnx
//
// The same input always gives the same bytes. remake.sh beside this fetches the
// inputs and makes every file that is kept in models.
package main

import (
	"flag"
	"fmt"
	"os"

	"nightcage/models/convert/tflite"
)

// The segmentation output (Identity_2) is dropped: no stage uses it and it
// costs nearly half the time.
var landmarkOutputs = []output{
	{"Identity", "landmarks"},
	{"Identity_1", "presence"},
	{"Identity_3", "heatmap"},
	{"Identity_4", "world"},
}

// source says what of a network is kept: its outputs, and inner maps by the number
// of their TFLite tensor, which other networks read.
type source struct {
	outputs []output
	inner   []int
}

var networks = map[string]source{
	"pose_lite": {outputs: landmarkOutputs},
	// The maps of 32, 16, 8, 4 and 2 cells a side before they are narrowed, for
	// body_depth.
	"pose_full":      {landmarkOutputs, []int{226, 251, 269, 316, 335}},
	"pose_heavy":     {outputs: landmarkOutputs},
	"pose_detection": {outputs: []output{{"Identity", "boxes"}, {"Identity_1", "scores"}}},
}

func main() {
	net := flag.String("net", "", "which network: pose_lite, pose_full, pose_heavy, pose_detection")
	in := flag.String("in", "", "TFLite file to read")
	out := flag.String("out", "", "ONNX file to write")
	flag.Parse()
	if err := run(*net, *in, *out); err != nil {
		fmt.Fprintln(os.Stderr, "convert:", err)
		os.Exit(1)
	}
}

func run(net, in, out string) error {
	keep, ok := networks[net]
	if !ok {
		return fmt.Errorf("no network named %q", net)
	}
	raw, err := os.ReadFile(in)
	if err != nil {
		return err
	}
	m, err := tflite.Parse(raw)
	if err != nil {
		return fmt.Errorf("reading %s: %w", in, err)
	}
	onnx, err := translate(m, net, keep)
	if err != nil {
		return fmt.Errorf("converting %s: %w", in, err)
	}
	return os.WriteFile(out, onnx, 0o644)
}
