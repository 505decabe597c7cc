// Package clip reads a video file: what it is (Probe), its pictures one by one
// (Reader), how the camera moved (Stabiliser), when something moves as a swing does,
// where the film was cut and
// whether pictures were repeated (Scan, Bursts, Windows).
//
// # Decoding
//
// Pictures are decoded in this process by FFmpeg's libraries, on which OpenCV's
// own capture rests. That capture makes every picture into BGR and copies it once
// more, gives up at the first damaged packet, tells no time of a file's last
// pictures and turns quarter turns the wrong way. Here a picture that is only read
// over costs its decoding (Skip, Seek), and a small one is averaged straight from the decoder's
// planes (Shrink, Thumb). Ahead decodes while another goroutine looks.
//
// Nothing is corrected for the colour matrix that a file names: all count as ITU-R
// BT.601, libswscale's default.
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
