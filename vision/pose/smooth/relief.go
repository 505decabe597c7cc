package smooth

import "nightcage/vision"

// exchange gives a relief with the sides of the groups marked in flip exchanged:
// the network that made it reads the marks and maps of the one that took left for
// right. A difference between an exchanged group and one that is not is lost.
func exchange(r *vision.Relief, flip [len(groups)]bool) *vision.Relief {
	if r == nil {
		return nil
	}
	out := *r
	d := &out.Depths
	swap := func(left vision.Depth) { d[left], d[left+1] = d[left+1], d[left] }
	arms, hips, legs := flip[groupArms], flip[groupHips], flip[groupLegs]
	if arms {
		out.Shoulders.Dir = negative(out.Shoulders.Dir)
		swap(vision.LeftWristShoulder)
		swap(vision.LeftElbowArm)
	}
	if hips {
		out.Hips.Dir = negative(out.Hips.Dir)
	}
	if legs {
		swap(vision.LeftAnkleKnee)
		swap(vision.LeftToeHeel)
		d[vision.AnkleAnkle].Z = -d[vision.AnkleAnkle].Z
	}
	switch {
	case legs && hips:
		swap(vision.LeftKneeHip)
	case legs != hips:
		d[vision.LeftKneeHip], d[vision.RightKneeHip] = vision.DepthGuess{}, vision.DepthGuess{}
	}
	return &out
}

func negative(v vision.Vec3) vision.Vec3 { return vision.Vec3{X: -v.X, Y: -v.Y, Z: -v.Z} }
