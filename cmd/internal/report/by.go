package report

// By is how much a measure changed, with its 95 % interval: "−3.1 mph ± 2.0 mph".
// "unknown" when it could not be had.
func (l ChangeLine) By() string {
	if !l.Difference.known() {
		return "unknown"
	}
	return signed(l.Difference, l.HalfWidth, l.Unit)
}
