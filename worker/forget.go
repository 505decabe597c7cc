package worker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Stores from which Forget and Expire remove, as Proof names them.
const (
	StoreClips   = "clips"
	StoreRecords = "records"
	StoreFiles   = "files in records: stills, tracks, timelines"
	StoreJobs    = "ledger: jobs"
	StoreHistory = "ledger: history"
	StoreConsent = "ledger: consent"
	StoreWatched = "ledger: watched files"
	StoreQueue   = "queue: jobs"
	StoreDead    = "queue: dead letters"
	StoreFeed    = "queue: feed of records"
	StoreScratch = "scratch and other files named after a job"
	StoreDepot   = "depot: clips and files of records"
	StoreTraces  = "places in the home's files that still name a job"
)

// Stores lists every store in the order of a Proof.
func Stores() []string {
	return []string{StoreClips, StoreRecords, StoreFiles, StoreJobs, StoreHistory, StoreConsent, StoreWatched,
		StoreQueue, StoreDead, StoreFeed, StoreScratch, StoreDepot, StoreTraces}
}

// Count is what one store held and holds.
type Count struct {
	Store string `json:"store"`
	Was   int    `json:"was"`
	Is    int    `json:"is"`
}

// Proof is what was removed: each store counted before, and again afterwards by
// reading it anew.
type Proof struct {
	Jobs   int     `json:"jobs"`
	Counts []Count `json:"counts"`
	// Left names clips that were not removed, each with the reason. One that
	// could have been and was not is in the counts too.
	Left []string `json:"left,omitempty"`
}

// Clean reports that nothing remains.
func (p Proof) Clean() bool {
	return !slices.ContainsFunc(p.Counts, func(c Count) bool { return c.Is != 0 })
}

// ErrRemains: something that was to be removed is still there; the Proof says
// what.
var ErrRemains = errors.New("not everything could be removed")

// ErrUnknownHitter: nothing is kept of a hitter of that name.
var ErrUnknownHitter = errors.New("nothing is kept of a hitter of that name")

// ErrTwoTeams: hitters of several teams have that name.
var ErrTwoTeams = errors.New("hitters of several teams have that name")

// Hitter names whom to forget. Case does not matter. Team may be empty where
// only one team has a hitter of that name.
type Hitter struct{ Name, Team string }

func (h Hitter) is(team, hitter string) bool {
	return nameKey(hitter) == nameKey(h.Name) && (h.Team == "" || nameKey(team) == nameKey(h.Team))
}

// doomed is what is to be removed.
type doomed struct {
	ids    map[string]bool
	clips  []clipFile
	needed map[string]bool // hashes of clips that jobs which stay need, wherever their files lie
	who    *Hitter         // whose consent and watched files go too; nil: nobody's
	left   []string
}

// clipFile is a file that was submitted.
type clipFile struct{ path, sha256 string }

// Kept counts what is kept of a hitter and removes nothing. Errors: as Forget.
func (d *Desk) Kept(ctx context.Context, h Hitter) (Proof, error) {
	x, err := d.doomHitter(ctx, h)
	if err != nil {
		return Proof{}, err
	}
	was, err := d.count(ctx, x)
	return proof(x, was, was), err
}

// Forget removes everything that this home and its queue keep of a hitter, and
// the clips: a file at a job's path whose bytes are those that were submitted. A
// clip that is another hitter's too stays, as does a file that is not the one
// submitted; Proof.Left names them.
//
// Jobs in flight are cut off and store nothing: see Records.hold. A clip that is
// submitted again later is a new job.
//
// Files are removed from the file system, in which their sectors may stay until
// they are written over; backups, the logs of workers, and what others took from
// the feed or were handed are out of reach. On a shared queue run it in the home
// of every machine.
//
// Errors: ErrUnknownHitter, ErrTwoTeams, ErrStorage, ErrQueue; ErrRemains, with
// the proof that shows where, when something was still there after a while.
func (d *Desk) Forget(ctx context.Context, h Hitter) (Proof, error) {
	x, err := d.doomHitter(ctx, h)
	if err != nil {
		return Proof{}, err
	}
	var p Proof
	for range 3 {
		more, err := d.remove(ctx, x)
		p = p.plus(more)
		if err != nil {
			return p, fmt.Errorf("forget %s: %w", h.Name, err)
		}
		// A record that was just being made of another, or a clip just handed in.
		x, err = d.doomHitter(ctx, Hitter{Name: h.Name, Team: x.who.Team})
		if errors.Is(err, ErrUnknownHitter) {
			return p, nil
		}
		if err != nil {
			return p, fmt.Errorf("forget %s: %w", h.Name, err)
		}
	}
	return p, fmt.Errorf("forget %s: %w: clips of that name keep coming in", h.Name, ErrRemains)
}

// plus is both as one.
func (p Proof) plus(q Proof) Proof {
	if p.Counts == nil {
		return q
	}
	p.Jobs += q.Jobs
	p.Left = append(p.Left, q.Left...)
	for i := range p.Counts {
		p.Counts[i].Was += q.Counts[i].Was
		p.Counts[i].Is += q.Counts[i].Is
	}
	return p
}

// settleWithin is how long removal waits for analyses to notice that their job
// is gone and for the queue's server to drop its files.
const settleWithin = 20 * time.Second

// remove does the work of Forget and Expire.
func (d *Desk) remove(ctx context.Context, x doomed) (Proof, error) {
	was, err := d.count(ctx, x)
	if err != nil {
		return Proof{}, err
	}
	// First nobody may store anything more; then what is there goes.
	if err := d.Records.forget(x.ids); err != nil {
		return proof(x, was, was), err
	}
	for deadline := time.Now().Add(settleWithin); ; {
		failed := d.erase(ctx, x)
		is, err := d.count(ctx, x)
		if err != nil {
			return proof(x, was, was), err
		}
		p := proof(x, was, is)
		switch {
		case p.Clean():
			return p, failed
		case ctx.Err() != nil:
			return p, ctx.Err()
		case time.Now().After(deadline):
			return p, errors.Join(ErrRemains, failed)
		}
		select {
		case <-ctx.Done():
		case <-time.After(500 * time.Millisecond): // a worker may be in the middle of a write
		}
	}
}

func proof(x doomed, was, is map[string]int) Proof {
	p := Proof{Jobs: len(x.ids), Left: x.left}
	for _, s := range Stores() {
		p.Counts = append(p.Counts, Count{Store: s, Was: was[s], Is: is[s]})
	}
	return p
}

// doomHitter finds everything of a hitter: in ledger, records and queue each by
// its own words, because each may know of jobs that the others do not.
func (d *Desk) doomHitter(ctx context.Context, h Hitter) (doomed, error) {
	x := doomed{ids: map[string]bool{}, who: &h}
	teams := map[string]string{} // key: as written
	of := func(team, hitter string) bool {
		if !h.is(team, hitter) {
			return false
		}
		if k := nameKey(team); teams[k] == "" {
			teams[k] = team
		}
		return true
	}
	var others []clipFile
	known := map[string]bool{} // an ID is a hash of whose it is, among other things
	job := func(j Job) {
		known[j.ID] = true
		c := clipFile{j.Clip, j.ClipSHA256}
		if !of(j.Subject.Team, j.Subject.Hitter) {
			others = append(others, c)
			return
		}
		x.ids[j.ID] = true
		if !slices.Contains(x.clips, c) {
			x.clips = append(x.clips, c)
		}
	}
	record := func(jobID, team, hitter string) {
		if of(team, hitter) {
			x.ids[jobID] = true
		}
	}
	err := errors.Join(d.eachListed(ctx, job), d.eachRecorded(ctx, known, record), d.eachQueued(ctx, known, job, record))
	if err == nil {
		err = d.Ledger.eachConsent(ctx, func(team, hitter string) { of(team, hitter) })
	}
	switch {
	case err != nil:
		return x, err
	case len(teams) == 0:
		return x, fmt.Errorf("%w: %s", ErrUnknownHitter, h.Name)
	case len(teams) > 1:
		var names []string
		for _, t := range teams {
			names = append(names, t)
		}
		slices.Sort(names)
		return x, fmt.Errorf("%w: %s: of %s", ErrTwoTeams, h.Name, strings.Join(names, ", of "))
	}
	for _, t := range teams {
		h.Team = t
	}
	copies, err := d.Ledger.watchedOf(ctx, h)
	if err != nil {
		return x, err
	}
	for _, c := range copies {
		if !slices.Contains(x.clips, c) {
			x.clips = append(x.clips, c)
		}
	}
	x.spare(others, "it is another hitter's clip too")
	return x, nil
}

// spare takes clips off that jobs which stay need.
func (x *doomed) spare(needed []clipFile, why string) {
	x.needed = map[string]bool{}
	for _, c := range needed {
		x.needed[c.sha256] = true
	}
	x.clips = slices.DeleteFunc(x.clips, func(c clipFile) bool {
		stays := slices.Contains(needed, c)
		if stays {
			x.left = append(x.left, c.path+": "+why)
		}
		return stays
	})
}
