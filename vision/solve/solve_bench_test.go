package solve

import (
	"context"
	"testing"

	"nightcage/vision/truth"
)

func BenchmarkRun(b *testing.B) {
	f, err := truth.Read("../../testdata/clips/s77001_09.json.gz")
	if err != nil {
		b.Fatal(err)
	}
	w := usual
	w.seed = 1
	tr := worn(b, f, w)
	for b.Loop() {
		if _, err := Run(context.Background(), *tr); err != nil {
			b.Fatal(err)
		}
	}
}
