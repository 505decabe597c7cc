package metrics

import "nightcage/phases"

// lineEntries say how the swing fits the pitch: how long the barrel is on the
// ball's line, and how early or late the same swing would still have met it.
//
// Useful bounds: fair windows published for one side are 9 to 30 ms (45 deg over
// the bat's turning speed, once or twice the bat's heading); a plate is 17 in
// deep.
func lineEntries() []entry {
	in := "[in_i]"
	marks := []string{roleBall, roleKnob, roleTip}
	line := "the barrel (its sweet spot, 6 in from the tip) is on the pitch's line while its height is within 1.45 in (a ball's radius) of the straight line of the ball's centre through the place where they met, seen from the side; looked for from bat parallel to full extension"
	onLine := func(id, name, unit, ucum, definition, sign string, useful float64, of func(stretch) float64, landmarks ...string) entry {
		e := ballEntry(id, name, unit, ucum, definition+": "+line, sign, useful, append(marks[:3:3], landmarks...), func(s *scene) float64 { return of(s.onLine()) })
		e.Events = []phases.EventID{phases.BatParallel, phases.Contact, phases.FullExtension}
		return e
	}
	same := "the same swing and pitch, shifted against each other in time, still meet: the ball's centre within 1 in of the bat's axis as it was at contact, on the last foot of the barrel, and the ball tending to fair ground (its direction turning by one to two times the bat's heading)"
	timed := func(id, name, unit, ucum, definition, sign string, useful float64, of func(timing) float64) entry {
		e := ballEntry(id, name, unit, ucum, definition, sign, useful, marks, func(s *scene) float64 { return of(s.timed()) })
		e.Events = []phases.EventID{phases.BatParallel, phases.Contact}
		e.NeedsClock, e.NeedsScale = true, true
		return e
	}
	ofTime := onLine("barrel_on_line_time_extension", "barrel on the pitch's line, time", "ms", "ms", "capture time for which the barrel is on the pitch's line", "0 or more", 8, func(l stretch) float64 { return l.ms })
	ofTime.NeedsClock = true
	spray := "direction, seen from above, in which the ball would tend to go at the "
	pulled := "0 toward the pitcher, + pulled"
	return []entry{
		placed(onLine("barrel_joins_line_extension", "barrel joins the pitch's line", "in", in, "x of the sweet spot where it comes onto the pitch's line, minus x of the lead ankle at contact", "+ in front of the front ankle, - behind it", 4, func(l stretch) float64 { return l.from }, roleLeadAnkle)),
		placed(onLine("barrel_leaves_line_extension", "barrel leaves the pitch's line", "in", in, "x of the sweet spot where it goes off the pitch's line, minus x of the lead ankle at contact", "+ in front of the front ankle, - behind it", 4, func(l stretch) float64 { return l.to }, roleLeadAnkle)),
		extreme(onLine("barrel_on_line_length_extension", "barrel on the pitch's line, length", "in", in, "length of the sweet spot's path on the pitch's line", "0 or more", 5, func(l stretch) float64 { return l.length })),
		ofTime,
		timed("timing_early_contact", "timing margin, early", "ms", "ms", "how much earlier "+same, "0 or more, looked for up to 40 ms", 4, func(t timing) float64 { return t.early }),
		timed("timing_late_contact", "timing margin, late", "ms", "ms", "how much later "+same, "0 or more, looked for up to 40 ms", 4, func(t timing) float64 { return t.late }),
		timed("timing_margin_contact", "timing margin", "ms", "ms", "timing_early_contact plus timing_late_contact", "0 or more", 5, func(t timing) float64 { return t.early + t.late }),
		timed("timing_room_contact", "timing margin along the pitch", "in", in, "timing_margin_contact times the pitch's speed: how much of the pitch's way the swing leaves room for", "0 or more", 6, func(t timing) float64 { return (t.early + t.late) * t.speed }),
		timed("timing_early_spray_contact", "where the ball tends to go at the early edge", "deg", "deg", spray+"end of timing_early_contact", pulled, 12, func(t timing) float64 { return t.earlySpray }),
		timed("timing_late_spray_contact", "where the ball tends to go at the late edge", "deg", "deg", spray+"end of timing_late_contact", pulled, 12, func(t timing) float64 { return t.lateSpray }),
	}
}
