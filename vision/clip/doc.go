// Package clip reads a video file: what it is (Probe), its pictures one by one
// (Reader), how the camera moved (Stabiliser), when something moves as a swing does,
// where the film was cut and
// whether pictures were repeated (Scan, Bursts, Windows).
//
// # Decoding
//
// Pictures come through OpenCV's FFmpeg capture in this process: 2.0 ms of CPU
// for a 1280x720 H.264 picture as BGR, against 3.3 ms through a pipe from an
// ffmpeg process (measured on two cores of a Debian 12 machine, one thread).
// What that capture does badly is mended here: its own rotation is switched off
// (4.6 turns quarter turns the wrong way), presentation times come from ffprobe
// (it reports 0 for the last pictures of a file with B-frames), its frame count
// is not believed, and a failed read is tried again, since it gives up at the
// first damaged packet where the decoder could go on.
//
// A hostile file can still crash a decoder: run this package in a process that
// may die.
//
// # Time
//
// Probe fills vision.Clip.Clock by the first of these that applies: a capture
// rate told with the job; a capture-rate tag in the file that is well above the
// stored rate; the presentation times themselves. Scan.Apply withdraws it where
// pictures repeat, Unclocked where the swing shows that it cannot be right: slow
// motion is often stored with nothing that tells.
//
// # What a file says of itself
//
// ffprobe tells of streams and packets, with a deadline and a bound on its
// answer. The file's index is read here first (readIndex): it holds the
// camera's notes on the video track, which ffprobe does not show, and what it
// promises is refused when it is more than the file can hold. Nothing that a
// file claims is believed where its pictures say otherwise.
//
// # Native memory
//
// Mats handed out by Reader belong to it. Everything with a Close must be
// closed; none of the types may be used from two goroutines at once.
package clip
