package pose

import "math"

// mayHold is how much, of 1, a person must look in one picture like one who
// holds a bat to be asked whether it is swung.
const mayHold = 0.4

// Swinging says of what was seen in a few pictures close together, in any
// order, how far somebody who may hold a bat carried both hands against the hips,
// in torsos: from the place in one picture to the farthest in another. It is 0
// when nobody may hold a bat.
//
// A swing carries the hands some 3 torsos along an arc, of which the chord is
// some 1.5; a stance keeps them within a fifth, and people who walk or crouch do
// not hold them so.
func Swinging(seen []Sighting) (carried float64) {
	var tracks []track
	for i, s := range seen {
		tracks = link(tracks, s.People, i)
	}
	for _, t := range tracks {
		held, reach := 0.0, 0.0
		for i, p := range t.people {
			held = math.Max(held, holding(p.Look.Body))
			for _, q := range t.people[:i] {
				reach = math.Max(reach, handTravel(q.Look.Body, p.Look.Body))
			}
		}
		if held >= mayHold {
			carried = math.Max(carried, reach)
		}
	}
	return carried
}
