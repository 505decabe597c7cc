package worker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"nightcage/vision"
)

func TestDecide(t *testing.T) {
	p := Policy{MaxAttempts: 5, MaxBroken: 2, Delays: []time.Duration{time.Second, time.Minute}}
	for _, c := range []struct {
		name  string
		class Class
		tries Tries
		want  Verdict
	}{
		{"shutdown, first", ClassShutdown, Tries{1, 0}, Verdict{Action: ActHandBack}},
		{"shutdown outranks used-up attempts", ClassShutdown, Tries{9, 9}, Verdict{Action: ActHandBack}},
		{"no swing, first", ClassNothing, Tries{1, 0}, Verdict{Action: ActUnmeasured}},
		{"bad clip is not tried twice", ClassBadClip, Tries{1, 0}, Verdict{Action: ActDead}},
		{"crash, first", ClassBroken, Tries{1, 1}, Verdict{ActLater, time.Second}},
		{"crash, second", ClassBroken, Tries{2, 2}, Verdict{Action: ActDead}},
		{"crash after storage trouble", ClassBroken, Tries{4, 1}, Verdict{ActLater, time.Minute}},
		{"share away, first", ClassTransient, Tries{1, 0}, Verdict{ActLater, time.Second}},
		{"share away, second", ClassTransient, Tries{2, 0}, Verdict{ActLater, time.Minute}},
		{"share away, fourth", ClassTransient, Tries{4, 0}, Verdict{ActLater, time.Minute}},
		{"share away, fifth", ClassTransient, Tries{5, 0}, Verdict{Action: ActDead}},
		{"storage, for ever", ClassAway, Tries{500, 1}, Verdict{ActLater, time.Minute}},
		{"share away before any attempt was counted", ClassTransient, Tries{}, Verdict{ActLater, time.Second}},
	} {
		if got := p.Decide(c.class, c.tries); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
	for _, class := range Classes() {
		if v := p.Decide(class, Tries{Attempts: 100, Broken: 100}); v.Action == ActLater && class != ClassAway {
			t.Errorf("%s is tried for ever", class)
		}
	}
}

func TestAsFailure(t *testing.T) {
	typed := &Failure{Class: ClassBadClip, Kind: "truncated", Words: "w"}
	for _, c := range []struct {
		err  error
		want Class
	}{
		{fmt.Errorf("clip a.mp4: %w", typed), ClassBadClip},
		{fmt.Errorf("read: %w", context.Canceled), ClassShutdown},
		{errors.New("whatever"), ClassTransient},
		{context.DeadlineExceeded, ClassTransient},
	} {
		if got := asFailure(c.err).Class; got != c.want {
			t.Errorf("%v: %s, want %s", c.err, got, c.want)
		}
	}
}

// The state machine as drawn in the package doc, arrow by arrow.
func TestStateMachine(t *testing.T) {
	type arrow struct{ from, to State }
	drawn := map[arrow]bool{}
	for _, s := range States() {
		drawn[arrow{s, StateSubmitted}] = true // resend, retry or release
		if !s.Final() {
			drawn[arrow{s, StateMeasured}] = true
			drawn[arrow{s, StateUnmeasured}] = true
			drawn[arrow{s, StateDead}] = true
			drawn[arrow{s, StateRunning}] = true
		}
	}
	for _, a := range []arrow{{StateDead, StateMeasured}, {StateSubmitted, StateQueued}, {StateRunning, StateQueued},
		{StateWaiting, StateQueued}, {StateRunning, StateWaiting}} {
		drawn[a] = true
	}
	for _, from := range States() {
		for _, to := range States() {
			if got := from.mayBecome(to); got != drawn[arrow{from, to}] {
				t.Errorf("%s -> %s: %v", from, to, got)
			}
		}
	}
}

func TestCheckSubject(t *testing.T) {
	ok := vision.Subject{Hitter: "Wren Alder", Team: "Cinder Creek Comets", HeightIn: 66, BatIn: 31, Bats: vision.SideUnknown, CaptureFPS: 240, Level: vision.LevelYouth}
	with := func(f func(*vision.Subject)) vision.Subject { s := ok; f(&s); return s }
	nan := func() float64 { var z float64; return z / z }
	for _, c := range []struct {
		name string
		s    vision.Subject
		ok   bool
	}{
		{"all given", ok, true},
		{"nothing given", vision.Subject{Bats: vision.SideUnknown}, true},
		// Official Baseball Rules 3.02(a): at most 42 in.
		{"longest legal bat", with(func(s *vision.Subject) { s.BatIn = 42 }), true},
		{"bat in centimetres", with(func(s *vision.Subject) { s.BatIn = 84 }), false},
		{"height in feet", with(func(s *vision.Subject) { s.HeightIn = 5.5 }), false},
		{"height in centimetres", with(func(s *vision.Subject) { s.HeightIn = 168 }), false},
		{"negative height", with(func(s *vision.Subject) { s.HeightIn = -66 }), false},
		{"height not a number", with(func(s *vision.Subject) { s.HeightIn = nan() }), false},
		{"side", with(func(s *vision.Subject) { s.Bats = "switch" }), false},
		{"level", with(func(s *vision.Subject) { s.Level = "moon" }), false},
		{"a sport", with(func(s *vision.Subject) { s.Sport = vision.SportSoftball }), true},
		{"sport", with(func(s *vision.Subject) { s.Sport = "cricket" }), false},
		{"a dry swing", with(func(s *vision.Subject) { s.Ball = vision.FromNone }), true},
		{"ball", with(func(s *vision.Subject) { s.Ball = "balloon" }), false},
		{"rate", with(func(s *vision.Subject) { s.CaptureFPS = 1e6 }), false},
	} {
		err := CheckSubject(c.s)
		if (err == nil) != c.ok {
			t.Errorf("%s: %v", c.name, err)
		}
		var f *Failure
		if err != nil && (!errors.As(err, &f) || f.Kind != KindBadSubject) {
			t.Errorf("%s: untyped %v", c.name, err)
		}
	}
}

func TestTeamToken(t *testing.T) {
	for in, want := range map[string]string{
		"Cinder Creek Comets": "cinder-creek-comets",
		"  a.b*c>d  ":         "a-b-c-d",
		"Åsa 12U":             "åsa-12u",
		"":                    "no-team",
		"...":                 "no-team",
	} {
		if got := teamToken(in); got != want || strings.ContainsAny(got, " .*>\t") {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
