package solve

// share is a length as a share of standing height, with its spread between
// people (one standard deviation, same unit).
type share struct{ mean, sd float64 }

// Segment lengths between joint centres as shares of standing height. Means
// are midway between the women and the men of de Leva (1996), J Biomech
// 29(9):1223-1230, table 4 (stature 1.735 m and 1.741 m; the lengths are quoted
// from memory): upper arm 275.1/281.7 mm, forearm 264.3/268.9, thigh
// 368.5/422.2, shank 432.3/434.0, mid-shoulder to mid-hip 497.9/515.5. Ankle
// height and foot length are .039 and .152 from Drillis and Contini (1966) as
// drawn in Winter (2009), fig. 4.1, also from memory. The spreads take in that
// people differ (about 4 % of a segment) and that a pose network's joints sit
// 1 to 2 in off the anatomical centres, which for a segment of 10 to 17 in is
// another 5 %.
var (
	shareUpperArm = share{.160, .011}
	shareForearm  = share{.153, .010}
	shareThigh    = share{.232, .017}
	shareShank    = share{.249, .013}
	shareTrunk    = share{.292, .016}
	shareFoot     = share{.152, .014} // heel to front of shoe
	shareAnkleUp  = share{.048, .008} // ankle joint above the ground, sole of a shoe (0.6 in) included

	// Joint-to-joint widths. Hips: the centres lie about .10 of height apart
	// (pelvis width regression, from memory), pose networks put them further
	// out. Shoulders: biacromial breadth .23 (Drillis and Contini) less the
	// depth of the joint centres inside it; networks put them in further still.
	shareHips      = share{.115, .014}
	shareShoulders = share{.195, .022}

	// Wrist joint to the middle of a closed fist, and mid-shoulders to the
	// centre of the skull.
	shareFist = share{.042, .008}
	shareNeck = share{.125, .018}
)

// Bat lengths by level when none is told: common practice, no source.
var batPriorIn = map[string]share{
	"youth":       {29.5, 1.5},
	"high-school": {32.5, 0.9},
	"college":     {33.2, 0.7},
	"pro":         {33.6, 0.6},
	"":            {32, 2},
}

// Standing heights by level when none is told, inches: from memory of growth
// charts (youth 8 to 13 years) and rosters; both sexes.
var heightPriorIn = map[string]share{
	"youth":       {57, 5},
	"high-school": {68, 3.5},
	"college":     {70, 3.5},
	"pro":         {73, 2.5},
	"":            {67, 6},
}

// Middle of the bottom and of the top fist on the handle, inches from the
// knob's end: a fist is about 3.4 in wide and rests on the knob.
const (
	bottomFistIn = 2.7
	topFistIn    = 6.0
	fistSigmaIn  = 0.6
)
