package fit

import "math"

// Angle is an angle with its standard error, radians.
type Angle struct{ Rad, Sigma float64 }

// commonLean is how far posts that were put up together lean together, radians:
// half a degree (common practice, no source).
const commonLean = 0.5 * math.Pi / 180

// Plumb weighs what uprights say of a camera's tilt and roll with what is known
// of them, for a focal length in px. chi2 is the uprights' own misfit: it has as
// many degrees of freedom as there are uprights.
func Plumb(uprights []Segment, focalPx float64, tilt, roll Angle) (t, r Angle, chi2 float64) {
	at := [2]float64{tilt.Rad, roll.Rad}
	misfit := func(at [2]float64) (out []float64) {
		c := Camera{FocalPx: focalPx, Tilt: at[0], Roll: at[1]}
		c.axes()
		for i := range uprights {
			out = append(out, soften(uprights[i].lean(&c)))
		}
		return append(out, (at[0]-tilt.Rad)/tilt.Sigma, (at[1]-roll.Rad)/roll.Sigma)
	}
	var tt, tr, rr float64
	for range 10 {
		z := misfit(at)
		const h = 1e-6
		zt, zr := misfit([2]float64{at[0] + h, at[1]}), misfit([2]float64{at[0], at[1] + h})
		var bt, br float64
		tt, tr, rr, chi2 = 0, 0, 0, 0
		for i := range z {
			dt, dr := (zt[i]-z[i])/h, (zr[i]-z[i])/h
			tt, tr, rr = tt+dt*dt, tr+dt*dr, rr+dr*dr
			bt, br = bt+dt*z[i], br+dr*z[i]
			if i < len(uprights) {
				chi2 += z[i] * z[i]
			}
		}
		det := tt*rr - tr*tr
		at[0] -= (rr*bt - tr*br) / det
		at[1] -= (tt*br - tr*bt) / det
	}
	det := tt*rr - tr*tr
	return Angle{at[0], math.Hypot(math.Sqrt(rr/det), commonLean)}, Angle{at[1], math.Hypot(math.Sqrt(tt/det), commonLean)}, chi2
}
