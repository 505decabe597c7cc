// Package models holds the networks that Nightcage runs, each with a card that
// says where it came from and how good it is, and opens sessions on them.
//
// A network NAME is two files in this folder, NAME.onnx and NAME.md, and an
// entry in the table below. The card states the sha256 of the ONNX file, and a
// file that does not match its card is refused. To add a network: put the two
// files here and add a Network constant and its entry; the package's tests then
// check card, hash, tensor names and shapes, and that it runs.
//
// Sessions use ONNX Runtime, whose shared library is loaded on first use; see
// Load for where it is looked for.
package models

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"maps"
	"regexp"
	"slices"
)

// Network names one network of this package.
type Network string

// The networks.
const (
	// PoseFull finds 39 body points in a square picture of one person.
	// Input image [1,3,256,256]: RGB 0..1, black outside the picture. Outputs:
	// landmarks [1,195], 39 x (x px, y px, z px, visibility logit, presence
	// logit) in the input's pixels; presence [1,1], 0..1, a person is there;
	// heatmap [1,39,64,64], logits, a cell is 4 input px; world [1,117],
	// 39 x (x, y, z) metres about the hips, x right, y down, z away. Then five inner
	// maps, which BodyDepth reads.
	PoseFull Network = "pose_full"

	// BodyDepth says how deep the parts of a body lie. Its inputs are what PoseFull
	// gave for a square: the five inner maps, landmarks, world. Output out [1,85],
	// raw: 13 depths in tenths of standing height, 13 logs of their scales over
	// 0.04; line of the hips x, y, z and log of its heading's scale over 0.2 rad;
	// line of the shoulders, likewise; then for 17 joints how far each lies from the
	// landmarks' place for it, x and y over 4 px, and log of the scale over 4 px.
	// See its card.
	BodyDepth Network = "body_depth"

	// PoseDetection finds people in a square picture. Input image
	// [1,3,224,224]: RGB -1..1, letterboxed. Outputs: boxes [1,2254,12], per
	// anchor centre x, y, width, height and four key points x, y, all in input
	// px from the anchor's centre; scores [1,2254,1], logits.
	PoseDetection Network = "pose_detection"

	// Bat finds the bat's knob and tip in a square round the hands. Input
	// image [1,5,256,256]: RGB of the frame, luma of the frame before and of
	// the frame after, 0..1. Output out [1,9,64,64], raw: heat logits of knob
	// and tip, three precision parameters of each, bat mask logits.
	Bat Network = "bat"
)

// Tensor is a network's input or output: float32, of fixed shape.
type Tensor struct {
	Name  string
	Shape []int64
}

// Len is the number of elements.
func (t Tensor) Len() int {
	n := 1
	for _, d := range t.Shape {
		n *= int(d)
	}
	return n
}

type spec struct{ inputs, outputs []Tensor }

// What PoseFull gives and BodyDepth reads.
var (
	poseLandmarks = Tensor{"landmarks", []int64{1, 195}}
	poseWorld     = Tensor{"world", []int64{1, 117}}
	poseInner     = []Tensor{
		{"t226", []int64{1, 32, 32, 32}},
		{"t251", []int64{1, 88, 16, 16}},
		{"t269", []int64{1, 144, 8, 8}},
		{"t316", []int64{1, 288, 4, 4}},
		{"t335", []int64{1, 288, 2, 2}},
	}
)

// The order of a network's tensors here is the order of Session's Input and
// Output.
var networks = map[Network]spec{
	Bat: {
		inputs:  []Tensor{{"image", []int64{1, 5, 256, 256}}},
		outputs: []Tensor{{"out", []int64{1, 9, 64, 64}}},
	},
	BodyDepth: {
		inputs:  slices.Concat(poseInner, []Tensor{poseLandmarks, poseWorld}),
		outputs: []Tensor{{"out", []int64{1, 85}}},
	},
	PoseFull: {
		inputs: []Tensor{{"image", []int64{1, 3, 256, 256}}},
		outputs: append([]Tensor{
			poseLandmarks,
			{"presence", []int64{1, 1}},
			{"heatmap", []int64{1, 39, 64, 64}},
			poseWorld,
		}, poseInner...),
	},
	PoseDetection: {
		inputs: []Tensor{{"image", []int64{1, 3, 224, 224}}},
		outputs: []Tensor{
			{"boxes", []int64{1, 2254, 12}},
			{"scores", []int64{1, 2254, 1}},
		},
	},
}

//go:embed *.onnx *.md
var files embed.FS

// HashError says that a network's file is not the one its card describes.
type HashError struct {
	Network         Network
	InCard, OfBytes string // sha256, lower-case hex
}

func (e *HashError) Error() string {
	return fmt.Sprintf("network %s: sha256 of the file is %s, the card says %s", e.Network, e.OfBytes, e.InCard)
}

// UnknownError says that no such network is kept here.
type UnknownError struct{ Network Network }

func (e *UnknownError) Error() string { return fmt.Sprintf("no network named %q", string(e.Network)) }

// cardHash finds the line of a card that states the ONNX file's hash.
var cardHash = regexp.MustCompile("(?m)^sha256 of the ONNX file: `([0-9a-f]{64})`$")

// SHA256 is the hash of a network's ONNX file as its card states it, for the
// record of what made a result.
func SHA256(n Network) (string, error) {
	if _, ok := networks[n]; !ok {
		return "", &UnknownError{n}
	}
	card, err := files.ReadFile(string(n) + ".md")
	if err != nil {
		return "", fmt.Errorf("network %s: reading its card: %w", n, err)
	}
	m := cardHash.FindSubmatch(card)
	if m == nil {
		return "", fmt.Errorf("network %s: its card states no sha256 of the ONNX file", n)
	}
	return string(m[1]), nil
}

// read returns a network's bytes once they match the card.
func read(n Network) ([]byte, error) {
	want, err := SHA256(n)
	if err != nil {
		return nil, err
	}
	onnx, err := files.ReadFile(string(n) + ".onnx")
	if err != nil {
		return nil, fmt.Errorf("network %s: reading its file: %w", n, err)
	}
	sum := sha256.Sum256(onnx)
	if got := hex.EncodeToString(sum[:]); got != want {
		return nil, &HashError{Network: n, InCard: want, OfBytes: got}
	}
	return onnx, nil
}

// Networks lists the networks in the order of their names.
func Networks() []Network { return slices.Sorted(maps.Keys(networks)) }
