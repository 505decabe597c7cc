package worker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Class sorts errors by what is to be done about them.
type Class string

// The classes.
const (
	ClassNothing   Class = "nothing_to_measure" // the clip is sound; what is to be measured is not in it
	ClassBadClip   Class = "bad_clip"           // this clip or job can never be measured
	ClassBroken    Class = "broken"             // the analysis died, hung, hit a limit or gave a malformed result
	ClassTransient Class = "transient"          // the machine or the clip's place; the same clip may do later
	ClassAway      Class = "away"               // storage or queue does not answer or is full; nothing is wrong with the job, which waits as long as it takes
	ClassShutdown  Class = "shutdown"           // the worker is going away; nothing is wrong with the job
)

// Classes lists every class.
func Classes() []Class {
	return []Class{ClassNothing, ClassBadClip, ClassBroken, ClassTransient, ClassAway, ClassShutdown}
}

// Kind is the precise reason, snake case. The stages add their own
// ("no_person", "no_swing", "truncated"); these are the worker's.
type Kind string

// Reasons that the worker itself gives.
const (
	KindBadJob      Kind = "bad_job"      // the queue message is not a job
	KindBadSubject  Kind = "bad_subject"  // a height, bat or side that cannot be true
	KindUnreadable  Kind = "unreadable"   // the file cannot be opened or is no clip
	KindClipMissing Kind = "clip_missing" // no file at the job's path
	KindClipChanged Kind = "clip_changed" // the file's bytes are not those submitted
	KindCrashed     Kind = "crashed"      // the analysis process died
	KindStalled     Kind = "stalled"      // no progress for too long
	KindTooLong     Kind = "too_long"     // wall or CPU limit
	KindTooBig      Kind = "too_big"      // memory or file-size limit
	KindMalformed   Kind = "malformed"    // the analysis gave a result that fails its checks
	KindStorage     Kind = "storage"      // a disk or the ledger
	KindQueue       Kind = "queue"        // the queue
	KindGaveUp      Kind = "gave_up"      // attempts ended without word: worker killed, power lost
	KindInternal    Kind = "internal"     // an error without a type
	KindShutdown    Kind = "shutdown"
)

// Failure is why a job was not measured. Words are for a coach; Err, which may
// be nil, is for whoever repairs it.
type Failure struct {
	Class Class
	Kind  Kind
	Words string
	Err   error
}

func (f *Failure) Error() string {
	if f.Err != nil {
		return fmt.Sprintf("%s: %v", strings.TrimSuffix(f.Words, "."), f.Err)
	}
	return f.Words
}

func (f *Failure) Unwrap() error { return f.Err }

// asFailure gives any error a class. An error without a type is transient: it
// is tried again and in the end lands in the dead letters with its text.
func asFailure(err error) *Failure {
	var f *Failure
	if errors.As(err, &f) {
		if f.Words == "" {
			g := *f
			g.Words = "the clip could not be measured"
			return &g
		}
		return f
	}
	if errors.Is(err, context.Canceled) {
		return &Failure{Class: ClassShutdown, Kind: KindShutdown, Words: "the worker was stopped", Err: err}
	}
	return &Failure{Class: ClassTransient, Kind: KindInternal, Words: "the analysis failed", Err: err}
}

// Tries counts what a job has used up in its present round.
type Tries struct {
	// Attempts that began and were not handed back, those that ended without a
	// word (worker killed) included.
	Attempts int `json:"attempts"`
	// Broken is how many of them ended in ClassBroken.
	Broken int `json:"broken"`
}

// Policy bounds repetition.
type Policy struct {
	MaxAttempts int             // of any kind
	MaxBroken   int             // analyses that died or hung: the clip is the likely cause
	Delays      []time.Duration // before attempt 2, 3, ...; the last one repeats
}

// DefaultPolicy spans about a quarter of an hour, longer than a remounted disk
// or a restarted file server takes (common practice, no source).
func DefaultPolicy() Policy {
	return Policy{
		MaxAttempts: 5,
		MaxBroken:   2,
		Delays:      []time.Duration{5 * time.Second, 30 * time.Second, 3 * time.Minute, 10 * time.Minute},
	}
}

// Action is what becomes of a job after an attempt that failed.
type Action string

// The actions.
const (
	ActUnmeasured Action = "unmeasured" // store the reason, acknowledge
	ActDead       Action = "dead"       // store the reason, dead letter, terminate
	ActLater      Action = "later"      // give back with a delay
	ActHandBack   Action = "hand_back"  // give back at once; costs no attempt
)

// Verdict is an action and, for ActLater, its delay.
type Verdict struct {
	Action Action
	Delay  time.Duration
}

// Decide is the one place where an error becomes a verdict. tries includes the
// attempt that just failed.
func (p Policy) Decide(c Class, tries Tries) Verdict {
	switch c {
	case ClassShutdown:
		return Verdict{Action: ActHandBack}
	case ClassAway:
		return Verdict{Action: ActLater, Delay: p.delay(tries.Attempts)}
	case ClassNothing:
		return Verdict{Action: ActUnmeasured}
	case ClassBadClip:
		return Verdict{Action: ActDead}
	case ClassBroken:
		if tries.Broken >= p.MaxBroken {
			return Verdict{Action: ActDead}
		}
	}
	if tries.Attempts >= p.MaxAttempts {
		return Verdict{Action: ActDead}
	}
	return Verdict{Action: ActLater, Delay: p.delay(tries.Attempts)}
}

func (p Policy) delay(attempts int) time.Duration {
	if len(p.Delays) == 0 {
		return 0
	}
	i := min(max(attempts, 1), len(p.Delays)) - 1
	return p.Delays[i]
}
