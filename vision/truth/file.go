package truth

import (
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"nightcage/vision"
)

// File is one truth file. Image positions are already in the vision pixel
// convention. A File is not changed by any method.
type File struct {
	Name       string  // the clip's name without extension
	Video      string  // base name of the clip
	Width      int     // px
	Height     int     // px
	FPS        float64 // capture rate, frames per second
	ShutterS   float64 // exposure time, seconds
	Handedness string  // side of the plate: "L" or "R"
	LeadSide   string  // "left" or "right": the hitter's side nearer the pitcher
	View       vision.View
	Camera     Camera
	Hitter     Hitter
	Bat        Bat
	BallRadius float64 // inches
	Scene      Scene
	Frames     []Frame
	events     map[string]float64
	measures   map[string]any
}

// Camera is the camera as the file gives it, pixel convention corrected.
type Camera struct {
	P         Projection  // without hand-shake
	FocalPx   float64     // px
	CX, CY    float64     // px
	Centre    vision.Vec3 // inches
	HandShake bool        // frames carry their own P
}

// Projection is a 3x4 camera matrix taking homogeneous swing-frame inches to
// homogeneous px.
type Projection [3][4]float64

// Hitter is who swings.
type Hitter struct {
	HeightIn     float64 `json:"height_in"` // without shoes
	InseamIn     float64 `json:"inseam_in"`
	HeadRadiusIn float64 `json:"head_radius_in"` // skull without helmet
	UpperArmIn   float64 `json:"upper_arm_in"`
	ForearmIn    float64 `json:"forearm_in"`
	ThighIn      float64 `json:"thigh_in"`
	ShankIn      float64 `json:"shank_in"`
}

// Bat is the bat's size. BottomHandIn is the distance from the knob's end to
// the middle of the bottom hand's grip.
type Bat struct {
	LengthIn         float64 `json:"length_in"`
	BarrelDiameterIn float64 `json:"barrel_diameter_in"`
	SweetFromTipIn   float64 `json:"sweet_spot_from_tip_in"`
	BottomHandIn     float64 `json:"bottom_hand_from_knob_in"`
}

// Scene is what the picture shows besides the hitter.
type Scene struct {
	Kind         string     `json:"kind"`  // "man", "woman", "teen_boy", "teen_girl" or "child"
	Sport        string     `json:"sport"` // "baseball" or "softball"
	Background   string     `json:"background_style"`
	Helmet       bool       `json:"helmet"`
	PlatePointIn [3]float64 `json:"plate_back_point_in"` // the plate's back point, swing frame
	BoxX         [2]float64 `json:"box_x_in"`            // batter's-box lines across, swing frame
	BoxInnerZ    float64    `json:"box_inner_line_z_in"`
	BoxOuterZ    float64    `json:"box_outer_line_z_in"`
}

// Point is a place in space and in the picture.
type Point struct {
	XYZ     vision.Vec3 // swing frame, inches
	X, Y    float64     // px
	InFrame bool        // inside the picture and in front of the camera
}

// Frame is the truth at one mid-exposure.
type Frame struct {
	Ms           float64
	Joints       map[string]Point // by the file's names, e.g. "left_elbow", "head_centre"
	HeadRadiusPx float64
	Knob, Tip    Point
	SweetSpot    Point
	Ball         Point
	BallRadiusPx float64
	P            Projection // this frame's camera, hand-shake included
}

// ErrNoTruth is returned by Find when a clip has no truth file.
var ErrNoTruth = errors.New("no truth file beside the clip")

// maxBytes bounds a decompressed truth file: 30 s at 240 fps comes to about
// 30 MB.
const maxBytes = 256 << 20

// Find returns the path of the truth file that belongs to a clip: the clip's
// path with its extension replaced by .json or .json.gz.
func Find(clipPath string) (string, error) {
	stem := strings.TrimSuffix(clipPath, filepath.Ext(clipPath))
	for _, ext := range []string{".json", ".json.gz"} {
		_, err := os.Stat(stem + ext)
		if err == nil {
			return stem + ext, nil
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("look for the truth of %s: %w", filepath.Base(clipPath), err)
		}
	}
	return "", fmt.Errorf("%s: %w", filepath.Base(clipPath), ErrNoTruth)
}

// Read reads a truth file, .json or .json.gz.
func Read(path string) (*File, error) {
	name := filepath.Base(path)
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read truth %s: %w", name, err)
	}
	defer f.Close()
	var r io.Reader = f
	if strings.HasSuffix(path, ".gz") {
		z, err := gzip.NewReader(f)
		if err != nil {
			return nil, fmt.Errorf("read truth %s: %w", name, err)
		}
		defer z.Close()
		r = z
	}
	t, err := Decode(r)
	if err != nil {
		return nil, fmt.Errorf("read truth %s: %w", name, err)
	}
	return t, nil
}

type rawPoint struct {
	XYZ     [3]float64 `json:"xyz"`
	PX      [2]float64 `json:"px"`
	InFrame *bool      `json:"in_frame"`
	Radius  float64    `json:"radius_px"`
}

type rawFile struct {
	Clip       string      `json:"clip"`
	Video      string      `json:"video"`
	Width      int         `json:"width"`
	Height     int         `json:"height"`
	FPS        float64     `json:"fps"`
	ShutterS   float64     `json:"shutter_s"`
	Handedness string      `json:"handedness"`
	LeadSide   string      `json:"lead_side"`
	View       vision.View `json:"view"`
	Camera     struct {
		P         Projection `json:"P_nominal"`
		FocalPx   float64    `json:"f_px"`
		CX        float64    `json:"cx"`
		CY        float64    `json:"cy"`
		Centre    [3]float64 `json:"centre_xyz"`
		HandShake bool       `json:"hand_shake"`
	} `json:"camera"`
	Hitter Hitter `json:"hitter"`
	Bat    Bat    `json:"bat"`
	Ball   struct {
		RadiusIn float64 `json:"radius_in"`
	} `json:"ball"`
	Scene    Scene          `json:"scene"`
	Events   map[string]any `json:"events_ms"`
	Measures map[string]any `json:"measures"`
	Frames   []struct {
		Ms         float64             `json:"t_ms"`
		Joints     map[string]rawPoint `json:"joints"`
		HeadRadius float64             `json:"head_radius_px"`
		Knob       rawPoint            `json:"knob"`
		Tip        rawPoint            `json:"tip"`
		Sweet      rawPoint            `json:"sweet_spot"`
		Ball       *rawPoint           `json:"ball"`
		P          *Projection         `json:"P"`
	} `json:"frames"`
}

// halfPx takes the file's pixel corners-at-integers to vision's
// centres-at-integers.
const halfPx = 0.5

func (p Projection) shifted(px float64) Projection {
	for j := range p[2] {
		p[0][j] -= px * p[2][j]
		p[1][j] -= px * p[2][j]
	}
	return p
}

func (r rawPoint) point() Point {
	return Point{XYZ: vision.Vec3{X: r.XYZ[0], Y: r.XYZ[1], Z: r.XYZ[2]}, X: r.PX[0] - halfPx, Y: r.PX[1] - halfPx,
		InFrame: r.InFrame == nil || *r.InFrame}
}

// Decode reads plain JSON. It refuses a file whose size, rate, camera or frame
// times make no sense, or whose frames lack the hips; other joints that are
// missing are left out of Frame.Joints.
func Decode(r io.Reader) (*File, error) {
	var raw rawFile
	lim := &io.LimitedReader{R: r, N: maxBytes}
	if err := json.NewDecoder(lim).Decode(&raw); err != nil {
		if lim.N <= 0 {
			return nil, fmt.Errorf("longer than %d bytes", maxBytes)
		}
		return nil, err
	}
	switch {
	case raw.Width <= 0 || raw.Height <= 0:
		return nil, fmt.Errorf("picture size %dx%d", raw.Width, raw.Height)
	case !(raw.FPS > 0):
		return nil, fmt.Errorf("capture rate %v", raw.FPS)
	case raw.Handedness != "L" && raw.Handedness != "R":
		return nil, fmt.Errorf("handedness %q, want L or R", raw.Handedness)
	case raw.LeadSide != "left" && raw.LeadSide != "right":
		return nil, fmt.Errorf("lead side %q, want left or right", raw.LeadSide)
	case !(raw.Camera.FocalPx > 0):
		return nil, fmt.Errorf("focal length %v px", raw.Camera.FocalPx)
	case len(raw.Frames) == 0:
		return nil, errors.New("no frames")
	}
	t := &File{
		Name: raw.Clip, Video: raw.Video, Width: raw.Width, Height: raw.Height, FPS: raw.FPS, ShutterS: raw.ShutterS,
		Handedness: raw.Handedness, LeadSide: raw.LeadSide, View: raw.View,
		Camera: Camera{P: raw.Camera.P.shifted(halfPx), FocalPx: raw.Camera.FocalPx,
			CX: raw.Camera.CX - halfPx, CY: raw.Camera.CY - halfPx,
			Centre:    vision.Vec3{X: raw.Camera.Centre[0], Y: raw.Camera.Centre[1], Z: raw.Camera.Centre[2]},
			HandShake: raw.Camera.HandShake},
		Hitter: raw.Hitter, Bat: raw.Bat, BallRadius: raw.Ball.RadiusIn, Scene: raw.Scene,
		events: map[string]float64{}, measures: raw.Measures,
	}
	for k, v := range raw.Events {
		if ms, ok := v.(float64); ok && !strings.HasPrefix(k, "_") {
			t.events[k] = ms
		}
	}
	last := math.Inf(-1)
	for i, f := range raw.Frames {
		if f.Ms <= last {
			return nil, fmt.Errorf("frame %d at %v ms does not follow %v ms", i, f.Ms, last)
		}
		last = f.Ms
		fr := Frame{Ms: f.Ms, Joints: make(map[string]Point, len(f.Joints)), HeadRadiusPx: f.HeadRadius,
			Knob: f.Knob.point(), Tip: f.Tip.point(), SweetSpot: f.Sweet.point(), P: t.Camera.P}
		for n, p := range f.Joints {
			fr.Joints[n] = p.point()
		}
		if f.Ball != nil {
			fr.Ball, fr.BallRadiusPx = f.Ball.point(), f.Ball.Radius
		}
		if f.P != nil {
			fr.P = f.P.shifted(halfPx)
		}
		for _, n := range []string{"left_hip", "right_hip"} {
			if _, ok := fr.Joints[n]; !ok {
				return nil, fmt.Errorf("frame %d has no %s", i, n)
			}
		}
		if _, err := t.camera(fr.P); err != nil {
			return nil, fmt.Errorf("frame %d: %w", i, err)
		}
		t.Frames = append(t.Frames, fr)
	}
	return t, nil
}
