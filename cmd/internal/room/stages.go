package room

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// stages are what a swing's record was made from. They are shared: change none.
type stages struct {
	Track    vision.Track
	Timeline phases.Timeline
}

// shelf keeps the stages that were read last: a track takes some 0.3 s to read.
type shelf struct {
	mu    sync.Mutex
	keys  []string
	items map[string]*stages
}

// shelved is how many swings' stages are kept, some 20 MB each.
const shelved = 4

// stages reads track and timeline of a swing, checked. worker.ErrNoRecord when it
// has none, which those of early versions have not.
func (rm *Room) stages(jobID string, n int) (*stages, error) {
	key := fmt.Sprintf("%s/%d", jobID, n)
	rm.shelf.mu.Lock()
	defer rm.shelf.mu.Unlock()
	if s, ok := rm.shelf.items[key]; ok {
		return s, nil
	}
	res, err := rm.Records.Result(jobID)
	if err != nil {
		return nil, err
	}
	if n < 1 || n > len(res.Swings) {
		return nil, fmt.Errorf("%w: swing %d of %s", worker.ErrNoRecord, n, jobID)
	}
	s := new(stages)
	if err = json.Unmarshal(res.Swings[n-1].Track, &s.Track); err == nil {
		err = json.Unmarshal(res.Swings[n-1].Timeline, &s.Timeline)
	}
	if err == nil && len(s.Track.Frames) == 0 {
		err = errors.New("a track without frames")
	}
	if err == nil && s.Track.Frames[len(s.Track.Frames)-1].Index >= len(s.Track.Clip.Times) {
		err = errors.New("a track of pictures that the clip does not have")
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", worker.ErrDamaged, key, err)
	}
	if rm.shelf.items == nil {
		rm.shelf.items = map[string]*stages{}
	}
	if rm.shelf.keys = append(rm.shelf.keys, key); len(rm.shelf.keys) > shelved {
		delete(rm.shelf.items, rm.shelf.keys[0])
		rm.shelf.keys = rm.shelf.keys[1:]
	}
	rm.shelf.items[key] = s
	return s, nil
}

// clipPath is where the file of a job lies. Of a record that was made anew it is
// that of a job with the same clip.
func (rm *Room) clipPath(ctx context.Context, jobID, sha256 string) (string, error) {
	e, err := rm.Ledger.Get(ctx, jobID)
	if err == nil {
		return e.Job.Clip, nil
	}
	if !errors.Is(err, worker.ErrUnknownJob) {
		return "", err
	}
	all, err := rm.Ledger.Entries(ctx)
	if err != nil {
		return "", err
	}
	for _, e := range all {
		if e.Job.ClipSHA256 == sha256 {
			return e.Job.Clip, nil
		}
	}
	return "", fmt.Errorf("%w: no job here has it", errNoClip)
}
