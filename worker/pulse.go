package worker

import (
	"sync"
	"time"
)

// pulse is what a worker notes about itself as it works, for Health and for its
// figures.
type pulse struct {
	figures *figures
	store   storeProbe

	mu         sync.Mutex
	queue      *Queue // nil when none is open
	began      time.Time
	stopping   bool
	slots      []slotPulse
	took       time.Time // when a slot last got a job
	dead       []string  // jobs whose analysis died, since the last one that did not
	stallAfter time.Duration
}

// slotPulse is one slot's last sign of life.
type slotPulse struct {
	job  string // empty: waits for one
	beat time.Time
}

// signs returns the worker's pulse.
func (w *Worker) signs() *pulse {
	w.begin.Do(func() {
		w.pulse = &pulse{figures: newFigures(w.Pipeline), store: storeProbe{home: w.Home, records: w.Records, ledger: w.Ledger, depot: w.Depot, minFree: w.MinFree}}
	})
	return w.pulse
}

func (p *pulse) start(q *Queue, slots int, stallAfter time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	p.queue, p.began, p.took, p.stallAfter = q, now, now, stallAfter
	p.slots = make([]slotPulse, slots)
	for i := range p.slots {
		p.slots[i].beat = now
	}
}

// worked reports whether the worker has been at work in this process.
func (p *pulse) worked() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return !p.began.IsZero()
}

func (p *pulse) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.queue, p.slots = nil, nil
}

// leave notes that the worker was asked to stop.
func (p *pulse) leave() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stopping = true
}

// round notes that a slot has come round, with a job or without.
func (p *pulse) round(slot int, job string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	p.slots[slot] = slotPulse{job: job, beat: now}
	if job != "" {
		p.took = now
	}
}

// pause notes that a slot leaves the queue alone for a reason of its own.
func (p *pulse) pause() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.took = time.Now()
}

// beat notes that a job has made progress.
func (p *pulse) beat(job string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range p.slots {
		if p.slots[i].job == job {
			p.slots[i].beat = time.Now()
		}
	}
}

// analysed notes how long an analysis took and how it ended.
func (p *pulse) analysed(job string, took time.Duration, err error) {
	p.figures.analysis.Observe(took.Seconds())
	p.mu.Lock()
	defer p.mu.Unlock()
	if err == nil {
		p.dead = nil
		return
	}
	switch asFailure(err).Kind {
	case KindCrashed, KindStalled, KindTooLong, KindTooBig, KindMalformed, KindInternal:
		p.dead = append(p.dead, job)
	case KindShutdown: // says nothing about the analysis
	default:
		p.dead = nil
	}
}
