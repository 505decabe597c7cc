// Package path makes the flight of one ball out of what package ball saw in
// each frame of a clip: the pitched ball up to the bat and the batted ball away
// from it, or a ball that rests on a tee until it is hit. It is pure Go.
//
// Most of what moves in a clip and is about as large as a ball is no ball:
// hands, shoes, the bat, leaves, a net. A chain of sights is taken for a ball
// only when it is far likelier than chance: what the sights of a frame say is
// weighed against how many sights that part of the picture gives anyway, and
// the chain must come to the bat, or start there. Chains are searched
// exhaustively (Viterbi over pairs of sights), so that no single wrong sight
// can lead the search astray.
//
// In space a ball flies along a straight line that gravity bends; in the picture
// that is (a + b*t + c*t*t) / (1 + w*t) along either axis. The fit of that form
// is what the reported lines, the meeting of ball and bat and the places of
// frames without a sight rest on.
package path
