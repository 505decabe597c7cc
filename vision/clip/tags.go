package clip

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"nightcage/vision"
)

// captureRateKey names the tags in which cameras store the true rate of a
// slow-motion clip: Android's com.android.capture.fps, whatever the vendor's
// prefix or spelling.
var captureRateKey = regexp.MustCompile(`(?i)(^|[._-])capture[._-]?fps$`)

// focalKey is QuickTime's key for the lens, as the focal length that sees as
// much on 35 mm film.
const focalKey = "com.apple.quicktime.camera.focal_length.35mm_equivalent"

// tags are everything the file says about itself, the video track's own tags
// first.
func (p *probed) tags(want func(key string) bool) (key, value string, ok bool) {
	sets := []map[string]string{p.Index.tags, p.Format.Tags}
	if s := p.video(); s != nil {
		sets = append(sets, s.Tags)
	}
	for _, set := range sets {
		keys := make([]string, 0, len(set))
		for k := range set {
			if want(k) {
				keys = append(keys, k)
			}
		}
		if len(keys) > 0 {
			first := slices.Min(keys)
			return first, set[first], true
		}
	}
	return "", "", false
}

// captureTag returns the capture rate that a tag in the file claims, 0 if none.
// A tag that is no rate is an error worth a note.
func captureTag(p *probed) (float64, error) {
	key, text, ok := p.tags(captureRateKey.MatchString)
	if !ok {
		return 0, nil
	}
	fps, ok := quantity(text, "fps")
	if !ok || !isRate(fps) {
		return 0, fmt.Errorf("the tag %s says %.40q, which is no rate, and was left out", key, text)
	}
	return fps, nil
}

// isRate reports whether frames are taken at such a rate anywhere.
func isRate(fps float64) bool { return fps >= 1 && fps <= 100_000 }

// quantity reads a number as tags hold them: "240", "240.000", "240000/1001",
// "240 fps".
func quantity(text, unit string) (float64, bool) {
	text = strings.TrimSpace(strings.TrimSuffix(strings.ToLower(strings.TrimSpace(text)), unit))
	num, den, rational := strings.Cut(text, "/")
	v, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if rational && err == nil {
		var d float64
		d, err = strconv.ParseFloat(strings.TrimSpace(den), 64)
		v /= d
	}
	return v, err == nil && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// filmDiagonalMm is that of a 36 x 24 mm picture, to which "35 mm equivalent"
// refers: equal angle of view over the diagonal (CIPA DCG-001).
var filmDiagonalMm = math.Hypot(36, 24)

// setFocal fills the focal length of the upright picture from the lens tag.
//
// The tag does not say of which picture's diagonal it speaks: of the clip's own,
// or of the 4:3 still of which a 16:9 clip is the full width; and stabilising
// crops up to another tenth off (common practice, no source). The focal length
// is the middle of what these allow, and its error spreads over them evenly. A
// picture of another shape was cropped by someone, by how much is not known.
func setFocal(c *vision.Clip, p *probed) {
	key, text, ok := p.tags(func(k string) bool { return k == focalKey })
	if !ok {
		return
	}
	mm, ok := quantity(text, "mm")
	if !ok || !(mm >= 5 && mm <= 2000) {
		c.Notes = append(c.Notes, fmt.Sprintf("the tag %s says %.40q, which is no lens, and was left out", key, text))
		return
	}
	long, short := float64(max(c.Width, c.Height)), float64(min(c.Width, c.Height))
	if shape := long / short; math.Abs(shape/(16./9)-1) > 0.02 && math.Abs(shape/(4./3)-1) > 0.02 {
		c.Notes = append(c.Notes, "the lens is named, but the picture was cropped from that of the camera, so its focal length is not known")
		return
	}
	const stabilised = 1.1
	least, most := math.Hypot(long, short), math.Hypot(long, long*3/4)*stabilised
	const wholeMm = 0.29 // of a length told in whole millimetres: 1/sqrt 12
	c.FocalPx = mm / filmDiagonalMm * (least + most) / 2
	c.FocalSigmaRel = math.Hypot((most-least)/(most+least)/math.Sqrt(3), wholeMm/mm)
}
