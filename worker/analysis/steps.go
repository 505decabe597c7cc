package analysis

import (
	"fmt"

	"nightcage/vision"
)

// steps turns the readings of a clip and of its windows into one count of progress,
// which never goes back.
type steps struct {
	done, total int
	say         func(done, total int)
}

func newSteps(say func(done, total int)) *steps {
	if say == nil {
		say = func(int, int) {}
	}
	return &steps{say: say}
}

// surveyed counts a frame while the work to come is not known.
func (s *steps) surveyed() {
	s.done++
	s.say(s.done, 0)
}

// plan says how many frames of the windows to come are looked at.
func (s *steps) plan(frames int) { s.total = s.done + frames }

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
