// Package nightcage measures baseball and softball swings from single-camera
// clips. Data moves one way through its packages:
//
//	vision    the seam types: Clip, Track, Landmark, Subject (plain Go, no cgo)
//	  clip    reads a clip: frames, true times, rotation, capture clock
//	  pose    finds the hitter and the body landmarks
//	  bat     finds knob and tip, frame by frame
//	  ball    finds the pitched and the batted ball
//	  ground  finds home plate, box lines and posts; ground/fit the camera that sees them so
//	  sound   sharp sounds on the clip's sound track
//	  solve   scale, view, handedness, camera; body and bat in three dimensions
//	  truth   reads clips with exact truth and turns them into Tracks
//	phases    Track -> Timeline: events and the phases between them
//	metrics   Track + Timeline -> Swing: measures with error bars, the record
//	worker    jobs, queue, stores, publishing; worker/analysis runs the stages
//	cmd       the nightcage binary, its reports, the film room and the truth judge
//	models    network weights, their cards, and the sessions that run them
//
// A package may import only packages above it in this list (models excepted,
// which imports none of them). vision, vision/solve, vision/truth, phases and
// metrics never reach cgo; imports_test.go enforces both rules.
package nightcage
