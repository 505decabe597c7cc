package analysis

import (
	"fmt"

	"nightcage/vision"
)

// steps turns the passes over a clip and its windows into one count of progress,
// which never goes back.
type steps struct {
	done, total int
	passes      int // over each window
	say         func(done, total int)
}

// seeing is how many of the passes it takes to see a swing.
const seeing = 2

func newSteps(o Options, say func(done, total int)) *steps {
	s := &steps{passes: seeing, say: say}
	if !o.NoStills {
		s.passes++
	}
	if say == nil {
		s.say = func(int, int) {}
	}
	return s
}

// surveyed counts a frame while the work to come is not known.
func (s *steps) surveyed() {
	s.done++
	s.say(s.done, 0)
}

// plan says how many frames the windows to come have together.
func (s *steps) plan(frames int) { s.total = s.done + frames*s.passes }

func (s *steps) frame() { s.reach(s.done + 1) }

// reach passes over what turned out not to be needed.
func (s *steps) reach(n int) {
	s.done = max(s.done, min(n, s.total))
	s.say(s.done, s.total)
}

func (s *steps) finish() { s.reach(s.total) }

func wrap(c vision.Clip, doing string, err error) error {
	return fmt.Errorf("%s in clip %s: %w", doing, c.Name, err)
}
