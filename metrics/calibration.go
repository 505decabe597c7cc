package metrics

import (
	_ "embed"
	"encoding/json"
	"fmt"
)

// Calibration widens or narrows error bars by what clips with exact truth
// showed of them. It is made by `make calibrate` and kept in calibration.json
// with what it rests on.
type Calibration struct {
	RestsOn  string            `json:"rests_on"` // what kind of clips, in plain words
	Pipeline string            `json:"pipeline_version"`
	Made     string            `json:"made"` // date
	Clips    int               `json:"clips"`
	Names    []string          `json:"names"` // of the clips; a rendered clip's begins with its seed
	Factors  map[string]Factor `json:"factors"`
}

// Factor is what one measure's standard uncertainty is multiplied by.
type Factor struct {
	Factor float64 `json:"factor"`
	N      int     `json:"n"`   // errors behind it
	Raw    float64 `json:"raw"` // mean square of error over uncalibrated standard uncertainty
}

// Limits of a factor. A bar off by more than these has a fault to be found, not
// a factor to be given.
const (
	LeastFactor = .7
	MostFactor  = 2
)

//go:embed calibration.json
var calibrationJSON []byte

var shipped = func() Calibration {
	var c Calibration
	if err := json.Unmarshal(calibrationJSON, &c); err != nil {
		panic(fmt.Sprintf("metrics: embedded calibration.json: %v", err))
	}
	return c
}()

// ShippedCalibration is the one in calibration.json.
func ShippedCalibration() *Calibration { return &shipped }

// calibrate scales a result's bar about its value. Flat readings are left
// alone: the clips behind the factors are solved.
func (c *Calibration) calibrate(out *Result) {
	if c == nil || out.View == HowPlanar {
		return
	}
	f, ok := c.Factors[out.ID]
	if !ok {
		return
	}
	v := *out.Value
	for _, p := range []*float64{out.Low95, out.High95} {
		*p = round(v + f.Factor*(*p-v))
	}
	*out.Sigma = round(f.Factor * *out.Sigma)
	out.Calibration = f.Factor
}

// CalibrationFactor is what the error bar was multiplied by after drawing: 1
// where no calibration spoke.
func (r Result) CalibrationFactor() float64 {
	if r.Calibration == 0 {
		return 1
	}
	return r.Calibration
}
