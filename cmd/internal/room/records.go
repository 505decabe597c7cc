package room

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/worker"
)

// stored is one swing's record as it is stored.
type stored struct {
	JobID string
	N     int // number of the swing in its clip, from 1
	At    time.Time
	Swing metrics.Swing
	// As is the correction that Swing came of; nil for the machine's version.
	As *correct.Kept
}

// Href is the address of the swing's page.
func (s stored) Href() string { return fmt.Sprintf("/swing/%s/%d", s.JobID, s.N) }

// Version is the number of the correction that is shown, 0 for the machine's.
func (s stored) Version() int {
	if s.As == nil {
		return 0
	}
	return s.As.Number
}

// record reads one swing, checked. Errors: those of worker.Records.
func (rm *Room) record(jobID, n string) (stored, error) {
	i, err := strconv.Atoi(n)
	if err != nil || i < 1 || strconv.Itoa(i) != n {
		return stored{}, fmt.Errorf("%w: swing %q", errNotFound, n)
	}
	b, err := rm.Records.ReadFile(jobID, n+"/record.json")
	if err != nil {
		return stored{}, err
	}
	e := event.New()
	s := stored{JobID: jobID, N: i}
	if err = json.Unmarshal(b, &e); err == nil {
		err = e.DataAs(&s.Swing)
	}
	if err != nil {
		return s, fmt.Errorf("%w: record %s, swing %d: %w", worker.ErrDamaged, jobID, i, err)
	}
	s.At = e.Time().Local()
	return s, nil
}

// version reads the version of a swing that a request asks for with as=N: that of
// correction N, the machine's for 0, and the last one when it does not ask. machine
// is the machine's in any case.
func (rm *Room) version(r *http.Request) (s, machine stored, all []correct.Kept, err error) {
	if machine, err = rm.record(r.PathValue("job"), r.PathValue("n")); err != nil {
		return s, machine, nil, err
	}
	if all, err = rm.kept.List(machine.JobID, machine.N); err != nil {
		return s, machine, nil, err
	}
	n := len(all)
	if as := r.URL.Query().Get("as"); as != "" {
		if n, err = strconv.Atoi(as); err != nil || n < 0 || n > len(all) {
			return s, machine, all, fmt.Errorf("%w: version %q", errNotFound, as)
		}
	}
	return machine.as(all, n), machine, all, nil
}

// as is a swing as its n-th correction has it.
func (s stored) as(all []correct.Kept, n int) stored {
	if n > 0 {
		s.As = &all[n-1]
		s.Swing = all[n-1].Record
	}
	return s
}

// rowCache keeps what lists show of records. A record and a correction never
// change, and a list of thousands is opened often.
var rowCache sync.Map // home, job and count of corrections -> []row

// rows are the swings of a measured job. A record that is damaged is a row that
// says so.
func (rm *Room) rows(e worker.Entry) ([]row, error) {
	corrected, err := rm.kept.Count(e.Job.ID)
	if err != nil {
		return nil, err
	}
	key := fmt.Sprint(rm.Home.Dir(), "/", e.Job.ID, " ", corrected)
	if c, ok := rowCache.Load(key); ok {
		return c.([]row), nil
	}
	var out []row
	for n := 1; ; n++ {
		s, err := rm.record(e.Job.ID, strconv.Itoa(n))
		if n > 1 && errors.Is(err, worker.ErrNoRecord) {
			break
		}
		if errors.Is(err, worker.ErrDamaged) || errors.Is(err, worker.ErrNoRecord) {
			r := newRow(e)
			r.Reason = word("error.damaged")
			return []row{r}, nil
		}
		if err != nil {
			return nil, err
		}
		all, err := rm.kept.List(s.JobID, s.N)
		if err != nil {
			return nil, err
		}
		r := newRow(e)
		r.fill(s.as(all, len(all)))
		r.Corrected = len(all) > 0
		out = append(out, r)
	}
	rowCache.Store(key, out)
	return out, nil
}

// fill puts what a list shows of a record into a row.
func (r *row) fill(s stored) {
	r.Href = s.Href()
	if s.Swing.Clip.Swings > 1 {
		r.Which = words("row.which", s.Swing.Clip.Swing, s.Swing.Clip.Swings)
	}
	if k := s.Swing.Timeline.Kind; k != phases.KindSwing {
		r.Sort = word("kind." + string(k))
	}
	r.Speed, r.Angle = brief(s.Swing, "bat_speed_contact"), brief(s.Swing, "attack_angle_contact")
	for _, f := range s.Swing.Findings {
		if f.First {
			r.First = f.Name
		}
	}
	r.Of = len(s.Swing.Measures)
	for _, m := range s.Swing.Measures {
		if m.Value != nil {
			r.Got++
		}
	}
}

// brief is a measure with its error bar, "" when it was not had.
func brief(s metrics.Swing, id string) string {
	m, ok := s.Find(id)
	if !ok || m.Value == nil {
		return ""
	}
	return metrics.Text(m)
}
