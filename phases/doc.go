// Package phases finds the events of a swing in a vision.Track and the phases
// between them. It is pure Go and runs on a Track read from JSON.
//
// # How events are placed
//
// Every event time is the mean of a posterior density over time, and its
// standard error that density's deviation, widened by what the sign itself
// leaves open and never below what the frame spacing allows.
//
//   - Feet (stride_start, toe_touch, heel_plant): the curve of rise or descent is
//     carried to the height at which the foot rests, so that a foot that comes
//     down slowly is not called late by a threshold. breakModel has the model.
//   - contact: the product of the peak of bat speed, the bat's heading near
//     square, the sudden loss of turn rate when the ball is hit, and, where the
//     ball was tracked, its way in and way out.
//   - the crack of the bat, less its way to the camera, counts for contact and
//     for a hit where it is clear of chance. Phones keep sound and picture in
//     step to some 10 ms, so it helps only where the bat was not followed.
//   - a hit, a foul tip and a miss are told by how much the ball turns at the bat.
//     The bat's own slowing does not tell them apart: at the noise of a real
//     track it favours the right one by less than two to one.
//   - bat_parallel: a crossing of the bat's heading, which comes from the
//     solution, or from the ellipse the bat draws in the picture.
//   - forward_move, load_start: movements without a jump in speed, carried back
//     along their curve. full_extension, finish: see the functions.
//
// # What a reader can rely on
//
// From a camera at the side, at 120 to 240 frames per second, on rendered clips:
// contact to half a frame at the median and 1 to 1.5 frames at the 95th
// percentile, with the ball in view to half a millisecond; feet and
// bat_parallel to about a frame at the median. load_start starts from rest and
// cannot be told to better than some 30 ms by anyone, forward_move to some 35
// ms, because the hands' speed takes that long to rise; full_extension is
// the middle of the time for which the rear arm looks equally straight. A camera
// on the pitch line sees the stride and the hands' start badly without a
// solution; those events then say so, or are not found. Where a step may hide in
// the marks' errors, the heel's landing stands for toe touch, with a standard
// error that holds both.
//
// Thresholds come from the scatter of the track itself, from physics, or from
// published anatomy; the comment at each says which.
package phases
