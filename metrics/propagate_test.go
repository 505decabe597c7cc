package metrics_test

import (
	"bytes"
	"encoding/json"
	"runtime"
	"testing"

	"nightcage/metrics"
	"nightcage/vision/truth"
)

// A record is the same on any number of processors.
func TestSameOnAnyNumberOfProcessors(t *testing.T) {
	f, err := truth.Read(clips + "/s77001_00.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	for name, o := range map[string]truth.Options{"solved": {Seed: 3, NoisePx: 1.5, BatNoisePx: 1.5, MissShare: .05}, "planar": {Seed: 4, NoisePx: 1.5, BatNoisePx: 1.5, No3D: true}} {
		tr, err := truth.Track(f, o)
		if err != nil {
			t.Fatal(err)
		}
		var want []byte
		for _, n := range []int{1, 2, 5} {
			runtime.GOMAXPROCS(n)
			s, err := metrics.Measure(t.Context(), *tr, timeline(f, 2), metrics.Options{Draws: 137})
			if err != nil {
				t.Fatal(err)
			}
			got, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			if want == nil {
				want = got
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s: %d processors give another record than 1", name, n)
			}
		}
	}
}
