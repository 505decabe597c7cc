package metrics

import "fmt"

// Grade is how far a measure can be trusted.
type Grade string

// The grades. A measure is measured when everything it rests on was seen and
// its standard uncertainty is within the catalogue's useful bound. It is
// estimated when it has a value but the uncertainty is above that bound, the
// scale rests on priors alone, a planar reading stands in for a solution, the
// solution has a rival that fits nearly as well, an event it rests on is a guess,
// or most of the frames it was read from were filled
// in rather than seen.
const (
	GradeMeasured    Grade = "measured"
	GradeEstimated   Grade = "estimated"
	GradeUnavailable Grade = "unavailable"
)

// Grades lists every grade, best first.
func Grades() []Grade { return []Grade{GradeMeasured, GradeEstimated, GradeUnavailable} }

// Reason says why a measure is not graded measured.
type Reason string

// Reasons for a measure to be unavailable.
const (
	ReasonEvent       Reason = "event_not_found"     // an event it is read at was not found
	ReasonNotASwing   Reason = "not_a_swing"         // a take, a check or a bunt has no such instant
	ReasonView        Reason = "view"                // the camera stands where it cannot be seen
	ReasonNoSolution  Reason = "no_solution"         // needs three dimensions, which could not be had
	ReasonNoClock     Reason = "no_clock"            // the clip's true rate is not known
	ReasonNoScale     Reason = "no_scale"            // nothing of known size was given or seen
	ReasonNoHand      Reason = "hand_unknown"        // which side the hitter bats from could not be told
	ReasonNoHeight    Reason = "height_not_told"     // is a share of the hitter's height
	ReasonNoInseam    Reason = "inseam_not_told"     // is set against the inseam
	ReasonLandmark    Reason = "landmark_not_seen"   // a body point was not found around the instant
	ReasonBat         Reason = "bat_not_seen"        // knob or tip was not found around the instant
	ReasonBallNotSeen Reason = "ball_not_seen"       // the ball was not found on that part of its way
	ReasonNoPitch     Reason = "no_pitch"            // the ball lay on a tee
	ReasonNoBall      Reason = "no_ball"             // a dry swing, as told
	ReasonNotHit      Reason = "not_hit"             // the ball flew past the bat
	ReasonTooWide     Reason = "too_uncertain"       // the error bar is too wide to be of any use
	ReasonUndefined   Reason = "undefined"           // the points fall so that the formula has no answer
	ReasonOrder       Reason = "events_out_of_order" // the stretch it spans ends before it begins
	ReasonFailed      Reason = "clip_failed"         // the clip could not be measured at all
	ReasonWide        Reason = "wide_error_bar"      // estimated: the uncertainty is above the useful bound
	ReasonPriorScale  Reason = "prior_scale"         // estimated: the scale is a guess from the level of play
	ReasonPlanar      Reason = "planar_reading"      // estimated: read from the picture, depth unseen
	ReasonDoubt       Reason = "doubtful_solution"   // estimated: another reading of the depths fits nearly as well
	ReasonEventUnsure Reason = "event_unsure"        // estimated: an event it is read at is uncertain
	ReasonFilledIn    Reason = "filled_in"           // estimated: the points were carried over more than seen
)

var reasonWords = map[Reason]string{
	ReasonEvent:       "an instant it is read at was not found",
	ReasonNotASwing:   "the clip does not show a swing",
	ReasonView:        "cannot be read from this camera position",
	ReasonNoSolution:  "needs the swing in three dimensions, which could not be had from this clip",
	ReasonNoClock:     "the clip's true frame rate is not known",
	ReasonNoScale:     "nothing of known size was given or seen",
	ReasonNoHand:      "which side the hitter bats from could not be told",
	ReasonNoHeight:    "the hitter's height was not given",
	ReasonNoInseam:    "the hitter's inseam was not given",
	ReasonLandmark:    "a body point was not seen around the instant",
	ReasonBat:         "the bat was not seen around the instant",
	ReasonBallNotSeen: "the ball was not seen",
	ReasonNoPitch:     "there was no pitch",
	ReasonNoBall:      "there was no ball: a dry swing, as told",
	ReasonNotHit:      "the bat did not turn the ball",
	ReasonTooWide:     "the error bar is too wide to be of use",
	ReasonUndefined:   "the points fall so that it has no value",
	ReasonOrder:       "its end was found before its beginning",
	ReasonFailed:      "the clip could not be measured",
	ReasonWide:        "the error bar is wider than a coach can act on",
	ReasonPriorScale:  "sizes are guessed from the level of play",
	ReasonPlanar:      "read from the flat picture, depth unseen",
	ReasonDoubt:       "another reading of the depths fits nearly as well",
	ReasonEventUnsure: "an instant it is read at is uncertain",
	ReasonFilledIn:    "the points were carried over from other frames more than seen",
}

// Reasons lists every reason.
func Reasons() []Reason {
	return []Reason{ReasonEvent, ReasonNotASwing, ReasonView, ReasonNoSolution, ReasonNoClock, ReasonNoScale,
		ReasonNoHand, ReasonNoHeight, ReasonNoInseam, ReasonLandmark, ReasonBat, ReasonBallNotSeen, ReasonNoPitch, ReasonNoBall, ReasonNotHit, ReasonTooWide, ReasonUndefined,
		ReasonOrder, ReasonFailed, ReasonWide, ReasonPriorScale, ReasonPlanar, ReasonDoubt, ReasonEventUnsure, ReasonFilledIn}
}

// Words says a reason in plain words.
func (r Reason) Words() string { return reasonWords[r] }

// missing is why a formula could not be read, with its particulars.
type missing struct {
	reason Reason
	detail string
}

func (m *missing) text() string {
	if m.detail == "" {
		return m.reason.Words()
	}
	return fmt.Sprintf("%s: %s", m.reason.Words(), m.detail)
}

// Limits of the grades.
const (
	// useless times the useful bound, an error bar spans more than the
	// differences a coach looks for: no number is better than that one.
	useless = 4
	// doubtLimit: above it the rival solution fits closely enough that the
	// depth signs may be wrong.
	doubtLimit = 0.5
	// eventConfidenceLimit: what phases could only guess at from other events
	// has a confidence of .2 to .3, what it saw .4 and more.
	eventConfidenceLimit = 0.35
	// seenShare of the frames behind a reading must show the point itself.
	seenShare = 0.5
)
