package analysis

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/truth"
)

// park writes two seconds of a ball park as a wave file: wind, a voice, a clap
// far off, and the crack of a bat with an echo.
func park(t *testing.T, path string, crackMs float64) {
	t.Helper()
	const rate = 44100
	rng := rand.New(rand.NewPCG(3, 0x7061726b))
	x := make([]float64, 2*rate)
	wind := 0.0
	for i := range x {
		u := float64(i) / rate
		wind += 0.003*rng.NormFloat64() - 0.001*wind
		swell := math.Pow(math.Sin(math.Pi*4*u), 2)
		pulse := math.Mod(1000*u, 7.5)
		x[i] = wind*0.2 + 0.002*rng.NormFloat64() + 0.05*swell*math.Exp(-pulse/3)*math.Sin(2*math.Pi*0.8*pulse)
	}
	for _, sharp := range []struct{ ms, gain float64 }{{250, 0.06}, {crackMs, 0.4}, {crackMs + 35, 0.12}} {
		from := int(sharp.ms / 1000 * rate)
		for i := from; i < min(from+rate/10, len(x)); i++ {
			x[i] += sharp.gain * math.Exp(-float64(i-from)/rate/0.005) * rng.NormFloat64()
		}
	}
	var b bytes.Buffer
	b.WriteString("RIFF")
	put := func(v any) {
		if err := binary.Write(&b, binary.LittleEndian, v); err != nil {
			t.Fatal(err)
		}
	}
	put(uint32(36 + 2*len(x)))
	b.WriteString("WAVEfmt ")
	put(uint32(16))
	put([]uint16{1, 1})
	put([]uint32{rate, 2 * rate})
	put([]uint16{2, 16})
	b.WriteString("data")
	put(uint32(2 * len(x)))
	for _, v := range x {
		put(int16(32767 * math.Max(-1, math.Min(1, v))))
	}
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
}

// The crack of the bat, put under a clip as late as sound is from there, places
// contact where the bat was not followed and tells a hit.
func TestCrackUnderAClip(t *testing.T) {
	f := readTruth(t, "s77001_04")
	contact, _ := f.EventMs("contact")
	tr, err := truth.Track(f, truth.Options{Seed: 1, NoisePx: 1})
	if err != nil {
		t.Fatal(err)
	}
	k := 0
	for f.Frames[k].Ms < contact {
		k++
	}
	p, c := f.Frames[k].SweetSpot.XYZ, f.Camera.Centre
	late := math.Sqrt((p.X-c.X)*(p.X-c.X)+(p.Y-c.Y)*(p.Y-c.Y)+(p.Z-c.Z)*(p.Z-c.Z)) * 0.0254 / 343.2 * 1000
	dir := t.TempDir()
	wav, mp4 := filepath.Join(dir, "park.wav"), filepath.Join(dir, "clip.mp4")
	park(t, wav, contact+late)
	if out, err := exec.Command("ffmpeg", "-v", "error", "-nostdin", "-i", filepath.Join(clips, "s77001_04.mp4"), "-i", wav,
		"-map", "0:v", "-map", "1:a", "-c:v", "copy", "-c:a", "aac", "-b:a", "96k", mp4).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if tr.Clip, err = clip.Probe(t.Context(), mp4, vision.Subject{}); err != nil {
		t.Fatal(err)
	}
	for i := range tr.Frames {
		fr := &tr.Frames[i]
		fr.Knob, fr.Tip, fr.Ball = vision.Mark{}, vision.Mark{}, vision.Mark{}
		tr.Solution.Frames[i].Knob, tr.Solution.Frames[i].Tip = vision.Point3{}, vision.Point3{}
	}
	before, err := phases.Find(*tr)
	if err != nil {
		t.Fatal(err)
	}
	if err := addSounds(t.Context(), mp4, tr); err != nil {
		t.Fatal(err)
	}
	near := 0
	for _, s := range tr.Sounds {
		if math.Abs(s.Ms-contact-late) < 2 {
			near++
		}
	}
	if near != 1 || len(tr.Sounds) > 4 || tr.Unheard != "" {
		t.Errorf("sounds %+v %s, want one at %.1f ms", tr.Sounds, tr.Unheard, contact+late)
	}
	after, err := phases.Find(*tr)
	if err != nil {
		t.Fatal(err)
	}
	was, is := event(before, phases.Contact), event(after, phases.Contact)
	t.Logf("contact off by %.1f ± %.1f ms without the sound, by %.1f ± %.1f with it (%s)", was.Ms-contact, was.SigmaMs, is.Ms-contact, is.SigmaMs, after.ResultWhy)
	if !(is.SigmaMs < was.SigmaMs/2) || math.Abs(is.Ms-contact) > 1.96*is.SigmaMs || after.Result != phases.ResultHit {
		t.Errorf("contact %+v, result %s (%s)", is, after.Result, after.ResultWhy)
	}
	if before.Result != phases.ResultUnknown {
		t.Errorf("without sound or ball: %s", before.Result)
	}

	// The same file told as slow motion.
	if tr.Clip, err = clip.Probe(t.Context(), mp4, vision.Subject{CaptureFPS: 480}); err != nil {
		t.Fatal(err)
	}
	tr.Sounds = nil
	if err := addSounds(t.Context(), mp4, tr); err != nil || tr.Sounds != nil || !strings.Contains(tr.Unheard, "slow motion") {
		t.Errorf("slow motion: %v, %v, %q", tr.Sounds, err, tr.Unheard)
	}
}

func event(tl phases.Timeline, id phases.EventID) phases.Event {
	for _, e := range tl.Events {
		if e.ID == id {
			return e
		}
	}
	return phases.Event{}
}

func TestClipWithoutSound(t *testing.T) {
	path := filepath.Join(clips, "s77001_04.mp4")
	c, err := clip.Probe(t.Context(), path, vision.Subject{})
	if err != nil {
		t.Fatal(err)
	}
	tr := vision.Track{Clip: c}
	for i, ft := range c.Times {
		tr.Frames = append(tr.Frames, vision.Frame{Index: i, Ms: ft.Ms})
	}
	if err := addSounds(t.Context(), path, &tr); err != nil || tr.Sounds != nil || tr.Unheard != clip.ErrNoSound.Error() {
		t.Errorf("%v, %q, %v", tr.Sounds, tr.Unheard, err)
	}
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	if err := addSounds(stopped, path, &tr); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
