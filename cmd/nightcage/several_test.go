package main

import (
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
)

func TestSwingsOfOneClipAreToldApart(t *testing.T) {
	swing := func(n, of int, kind phases.Kind) metrics.Swing {
		return metrics.Swing{Status: metrics.StatusMeasured, Clip: metrics.ClipFacts{Swing: n, Swings: of}, Timeline: phases.Timeline{Kind: kind}}
	}
	const id = "0123456789abcdef-2"
	for _, c := range []struct {
		swing                 metrics.Swing
		file, shown, numbered string
	}{
		{swing(1, 1, phases.KindSwing), "out/track.json", "0123456789", "1 of 1"},
		{swing(2, 3, phases.KindSwing), "out/track-2.json", "0123456789-2", "2 of 3"},
		{swing(2, 2, phases.KindTake), "out/track-2.json", "0123456789-2", "2 of 2, take"},
		{swing(0, 0, phases.KindSwing), "out/track.json", "0123456789", "1 of 1"}, // recorded before swings were numbered
	} {
		if got := numbered("out/track.json", c.swing.Clip); got != c.file {
			t.Errorf("file %s, want %s", got, c.file)
		}
		if got := swingID(id, c.swing); got != c.shown {
			t.Errorf("id %s, want %s", got, c.shown)
		}
		if got := which(c.swing); got != c.numbered {
			t.Errorf("which %q, want %q", got, c.numbered)
		}
	}
	if got := numbered("", swing(2, 2, phases.KindSwing).Clip); got != "" {
		t.Errorf("no file asked for, got %q", got)
	}
	if got := which(metrics.Swing{Status: metrics.StatusFailed}); got != "-" {
		t.Errorf("failed: %q", got)
	}
}
