package metrics

import "nightcage/phases"

// tempo is a duration. Its useful bound is about a tenth of how long it usually
// lasts, but not under 15 ms: the swing times of 17 professionals spanned 190 to
// 280 ms (Race 1961, Res Q 32:394-404, range from memory), six times that.
func tempo(id, name string, from, to phases.EventID, usefulMs float64) entry {
	return entry{Definition: Definition{ID: id, Name: name, Group: GroupTempo, Unit: "ms", UCUM: "ms",
		Definition: "capture time from " + eventNames[from] + " to " + eventNames[to], Sign: "0 or more",
		Events: []phases.EventID{from, to}, Landmarks: []string{}, View: NeedTimes, NeedsClock: true,
		UsefulSigma: usefulMs, Source: commonPractice},
		formula: func(s *scene) float64 { return s.duration(from, to) }}
}

func tempoEntries() []entry {
	return []entry{
		tempo("load_time_stride", "load time", phases.LoadStart, phases.StrideStart, 40),
		tempo("stride_time_toe_touch", "stride time", phases.StrideStart, phases.ToeTouch, 30),
		tempo("plant_time_plant", "toe touch to heel plant", phases.ToeTouch, phases.HeelPlant, 15),
		tempo("turn_time_contact", "heel plant to contact", phases.HeelPlant, phases.Contact, 20),
		tempo("swing_time_contact", "swing time (forward move to contact)", phases.ForwardMove, phases.Contact, 15),
		tempo("parallel_time_contact", "bat parallel to contact", phases.BatParallel, phases.Contact, 15),
		tempo("extension_time_extension", "contact to full extension", phases.Contact, phases.FullExtension, 15),
		tempo("finish_time_finish", "contact to finish", phases.Contact, phases.Finish, 20),
	}
}
