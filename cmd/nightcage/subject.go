package main

import (
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	"nightcage/cmd/internal/units"
	"nightcage/vision"
	"nightcage/worker"
)

// subjectFlags are what a person tells about the hitter, the same for every
// command that takes a clip.
type subjectFlags struct {
	s     vision.Subject
	bats  string
	level string
	sport string
	ball  string
}

func (f *subjectFlags) bind(flags *pflag.FlagSet) {
	flags.StringVar(&f.s.Hitter, "hitter", "", "the team's own `NAME` for the hitter")
	flags.StringVar(&f.s.Team, "team", "", "`NAME` of the team")
	flags.Var(&units.Length{Min: worker.MinHeightIn, Max: worker.MaxHeightIn, Of: "a height", Into: &f.s.HeightIn},
		"height", "standing height without shoes, with its unit: 70in, 5ft10in, 178cm")
	flags.Var(&units.Length{Min: worker.MinInseamIn, Max: worker.MaxInseamIn, Of: "an inseam", Into: &f.s.InseamIn},
		"inseam", "inside leg to the floor, with its unit")
	flags.Var(&units.Length{Min: worker.MinBatIn, Max: worker.MaxBatIn, Of: "a bat length", Into: &f.s.BatIn},
		"bat", "length of the bat, with its unit: 33in, 84cm")
	flags.StringVar(&f.bats, "bats", string(vision.SideUnknown), "side of the plate: left, right or auto")
	flags.Float64Var(&f.s.CaptureFPS, "capture-fps", 0, "true capture rate in frames per `SECOND`, where the file does not say it")
	flags.StringVar(&f.s.Filmed, "filmed", "", "`DAY` it was filmed, 2026-11-20, where the file does not say it")
	flags.StringVar(&f.level, "level", "", "level of play: "+listed(vision.Levels()))
	flags.StringVar(&f.sport, "sport", "", listed(vision.Sports())+"; published values are shown for the told sport and level only")
	flags.StringVar(&f.ball, "ball", "", "where the ball came from: "+listed(vision.BallsFrom())+" (none: a dry swing); a ball that is not seen in a clip may still have been there")
}

// listed names the values that a flag can have.
func listed[T ~string](values []T) string {
	var names []string
	for _, v := range values {
		names = append(names, string(v))
	}
	return strings.Join(names, ", ")
}

// subject checks and returns what was told.
func (f *subjectFlags) subject() (vision.Subject, error) {
	s := f.s
	s.Bats, s.Level, s.Sport, s.Ball = vision.Side(f.bats), vision.Level(f.level), vision.Sport(f.sport), vision.BallFrom(f.ball)
	if err := worker.CheckSubject(s); err != nil {
		return s, usageError{err}
	}
	return s, nil
}

// named is subject for commands whose records are kept: they need to say whose
// they are.
func (f *subjectFlags) named() (vision.Subject, error) {
	s, err := f.subject()
	if err != nil {
		return s, err
	}
	for flag, value := range map[string]string{"hitter": s.Hitter, "team": s.Team} {
		if strings.TrimSpace(value) == "" {
			return s, usageError{fmt.Errorf("--%s NAME is needed: a stored record must say whose swing it is", flag)}
		}
	}
	return s, nil
}
