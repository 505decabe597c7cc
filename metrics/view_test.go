package metrics_test

import (
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// At contact the bat reaches across the plate and down: it points at a low camera on the
// open side, and lies across the sight of one behind the pitcher. The reason
// for a refusal says so in the first case alone.
func TestReasonNamesABatAlongTheLineOfSight(t *testing.T) {
	f := readTruth(t, "s77001_09")
	for _, c := range []struct {
		camera vision.Vec3
		endOn  bool
	}{{vision.Vec3{Y: 12, Z: 190}, true}, {vision.Vec3{X: 190, Y: 50}, false}} {
		tr, tl := track(t, f, truth.Options{}), timeline(f, 1)
		tr.Solution.Camera.Centre = c.camera
		for i := range tr.Solution.Frames {
			p := &tr.Solution.Frames[i]
			p.Knob.SX, p.Tip.SX, p.Knob.SZ, p.Tip.SZ = 30, 30, 30, 30
		}
		s := measure(t, tr, tl, metrics.Options{Draws: 60})
		m, _ := s.Find("bat_speed_contact")
		if got := strings.Contains(m.ReasonText, "line of sight"); m.Reason != metrics.ReasonTooWide || got != c.endOn {
			t.Errorf("camera at %v: %s, %q", c.camera, m.Reason, m.ReasonText)
		}
	}
}
