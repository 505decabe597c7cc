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

var networks = map[string][]output{
	"pose_lite":      landmarkOutputs,
	"pose_full":      landmarkOutputs,
	"pose_heavy":     landmarkOutputs,
	"pose_detection": {{"Identity", "boxes"}, {"Identity_1", "scores"}},
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
