package vision

// Ground is what of known shape was seen on the ground and upright about the
// hitter, px of the first tracked frame. It holds sights, not conclusions:
// solve weighs them against the hitter and may not use them.
type Ground struct {
	// Plate is home plate's corners in the order of fit.PlateCorners; empty when
	// no plate was seen, and then NoPlate says why.
	Plate   []Mark       `json:"plate,omitempty"`
	NoPlate string       `json:"no_plate,omitempty"`
	Lines   []GroundLine `json:"lines,omitempty"`
	// Uprights are posts, poles, door frames and edges of walls that point to one
	// place in the picture, as plumb things do.
	Uprights []Segment `json:"uprights,omitempty"`
}

// Segment is a straight piece of an edge or line in the picture.
type Segment struct {
	X0, Y0, X1, Y1 float64 // px
	SigmaPx        float64 // standard error of either end across the segment
}

// LineName names a line of a batter's box.
type LineName string

// Lines of the batter's boxes. Both boxes have them.
const (
	LineInner LineName = "inner" // beside the plate, toward the pitcher
	LineOuter LineName = "outer" // its far side, parallel to it
	LineFront LineName = "front" // on the pitcher's side, square to it
	LineBack  LineName = "back"  // on the catcher's side
)

// GroundLine is the middle of a line on the ground.
type GroundLine struct {
	Segment
	Name LineName
	Side int // of the plate, seen by the catcher: -1 left, +1 right
}
