package metrics_test

import (
	"context"
	"testing"

	"nightcage/metrics"
	"nightcage/vision/truth"
)

func BenchmarkMeasure(b *testing.B) {
	f, err := truth.Read(clips + "/s77001_00.json.gz")
	if err != nil {
		b.Fatal(err)
	}
	tr, err := truth.Track(f, truth.Options{})
	if err != nil {
		b.Fatal(err)
	}
	tl := timeline(f, 2)
	for b.Loop() {
		s, err := metrics.Measure(context.Background(), *tr, tl, metrics.Options{})
		if err != nil || len(s.Measures) == 0 {
			b.Fatal(err)
		}
	}
}
