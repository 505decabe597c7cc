// Package sound finds sharp onsets in a stretch of a clip's sound: the crack of
// a bat, a mitt's pop, a clap. It is pure Go.
//
// A ball meets a bat for 0.7 ms, and what is heard of it rises within a
// millisecond over the whole range of hearing. Speech, wind and music rise
// slower, or in one part of that range: an onset counts only where two bands, 1
// to 4 kHz and above 4 kHz, jump together. Which onset is the bat's, if any, is
// for those to say who know when the bat was swung.
package sound
