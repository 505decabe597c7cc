package worker

// State is where a job stands. The package doc draws how they follow on one
// another.
type State string

// The states.
const (
	// StateHeld: in the ledger and kept back until the queue has nothing else to
	// do: a re-run of low priority (Job.Low). Set by Submit.
	StateHeld State = "held"
	// StateSubmitted: in the ledger, not yet confirmed by the queue. Set by
	// Submit, Retry, and Reconcile when the queue lost the job.
	StateSubmitted State = "submitted"
	// StateQueued: the queue confirmed it, or got it back from a worker that
	// shut down.
	StateQueued State = "queued"
	// StateRunning: a worker has it. Also what a killed worker leaves behind
	// until the queue delivers the job again.
	StateRunning State = "running"
	// StateWaiting: an attempt failed, the queue holds it back for a while.
	StateWaiting State = "waiting"
	// StateMeasured: at least one swing record is stored.
	StateMeasured State = "measured"
	// StateUnmeasured: the clip is sound but holds nothing to measure; a record
	// with the reason is stored.
	StateUnmeasured State = "unmeasured"
	// StateDead: given up, with a record and a dead letter that say why.
	StateDead State = "dead"
)

// States lists every state in the order of a job's life.
func States() []State {
	return []State{StateHeld, StateSubmitted, StateQueued, StateRunning, StateWaiting,
		StateMeasured, StateUnmeasured, StateDead}
}

// Final reports whether nothing more happens to the job by itself.
func (s State) Final() bool {
	return s == StateMeasured || s == StateUnmeasured || s == StateDead
}

// mayBecome is the state machine. A final state is left only by a retry, or when
// a late worker measured after all what was given up.
func (s State) mayBecome(to State) bool {
	if to.Final() {
		return !s.Final() || (s == StateDead && to == StateMeasured)
	}
	switch to {
	case StateSubmitted:
		return true // Resend asks for open jobs only, Retry for final ones, Release for held
	case StateQueued:
		return s == StateSubmitted || s == StateRunning || s == StateWaiting
	case StateRunning:
		// From running: the worker before was killed. From submitted: the
		// worker was faster than the submitter's note that it is queued.
		return !s.Final()
	case StateWaiting:
		return s == StateRunning
	}
	return false
}
