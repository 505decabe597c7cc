package room

import (
	"math"

	"nightcage/metrics"
	"nightcage/phases"
)

// timeBar is the swing's time as a strip: phases as stretches, events as signs.
// Places are per cent of the strip, which runs over the frames of the film.
type timeBar struct {
	Phases []barPhase
	Events []barEvent
}

type barPhase struct {
	Name      string
	At, Width float64
	Odd       bool // every second one is shaded
	Labelled  bool // wide enough for its name
}

type barEvent struct {
	ID      string
	Name    string
	At      float64
	Low     float64 // 95 % interval
	Width   float64
	Contact bool
}

// labelled is the least width of a stretch that its name fits into, per cent.
const labelled = 9

// newTimeBar lays the timeline out over the frames that were looked at. Frames,
// not milliseconds: the strip stands over a slider that steps them.
func newTimeBar(s metrics.Swing) *timeBar {
	first, last := float64(s.Clip.Window[0]), float64(s.Clip.Window[1]-1)
	if !(last > first) {
		return nil
	}
	at := func(frame float64) float64 {
		return math.Round(1000*min(max((frame-first)/(last-first), 0), 1)) / 10
	}
	frame := map[phases.EventID]float64{}
	b := &timeBar{}
	for _, e := range s.Timeline.Events {
		if !e.Found {
			continue
		}
		frame[e.ID] = e.Frame
		low, high := at(e.Frame-1.96*e.SigmaFrames), at(e.Frame+1.96*e.SigmaFrames)
		b.Events = append(b.Events, barEvent{ID: string(e.ID), Name: word("event." + string(e.ID)), At: at(e.Frame), Low: low, Width: high - low, Contact: e.ID == phases.Contact})
	}
	if len(b.Events) == 0 {
		return nil
	}
	for i, p := range s.Timeline.Phases {
		from, to := at(frame[p.From]), at(frame[p.To])
		if p.From == "" {
			from = 0
		}
		if to <= from {
			continue
		}
		b.Phases = append(b.Phases, barPhase{Name: word("phase." + string(p.ID)), At: from, Width: to - from, Odd: i%2 == 1, Labelled: to-from >= labelled})
	}
	return b
}
