package phases

import "math"

// keepOrder enforces the order that anatomy sets: load_start < stride_start <
// toe_touch <= heel_plant, load_start < forward_move < bat_parallel < contact
// < full_extension < finish. Two events whose most likely times are in the
// wrong order by less than their errors allow are both moved to the time that
// is best for the pair; where they are further apart, the less certain one is
// withdrawn.
func keepOrder(found map[EventID]finding) {
	pairs := [][2]EventID{
		{BatParallel, Contact}, {ForwardMove, BatParallel}, {Contact, FullExtension}, {FullExtension, Finish},
		{StrideStart, ToeTouch}, {ToeTouch, HeelPlant}, {HeelPlant, Contact}, {ToeTouch, Contact},
		{LoadStart, StrideStart}, {LoadStart, ForwardMove}, {LoadStart, ToeTouch},
	}
	for range 2 {
		for _, p := range pairs {
			a, b := found[p[0]], found[p[1]]
			if !present(found, p[0]) || !present(found, p[1]) || a.t <= b.t {
				continue
			}
			va, vb := a.sd*a.sd, b.sd*b.sd
			if a.t-b.t <= 3*math.Sqrt(va+vb) {
				t := (a.t*vb + b.t*va) / (va + vb)
				a.t, b.t = t, t
				found[p[0]], found[p[1]] = a, b
				continue
			}
			if a.sd > b.sd {
				found[p[0]] = missing("%s would come after %s", p[0], p[1])
			} else {
				found[p[1]] = missing("%s would come before %s", p[1], p[0])
			}
		}
	}
}

func present(found map[EventID]finding, id EventID) bool {
	f, ok := found[id]
	return ok && f.ok()
}
