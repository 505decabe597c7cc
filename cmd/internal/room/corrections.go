package room

import (
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"time"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/worker"
	"nightcage/worker/access"
)

const (
	// measureWithin is how long measuring anew may take before the answer is given up.
	measureWithin = 5 * time.Minute
	// correctionBytes bounds what a browser may send.
	correctionBytes = 2 << 20
)

// sent is a correction as the page sends it. Who made it is the token's holder.
type sent struct {
	Upon     int               `json:"upon"` // version that was on the page
	Note     string            `json:"note"`
	Places   []correct.Place   `json:"places"`
	Instants []correct.Instant `json:"instants"`
}

// correct measures a swing anew from what a person set right, and keeps it. It
// answers 201 with the address of the new version, or says in words what is wrong.
func (rm *Room) correct(w http.ResponseWriter, r *http.Request) {
	to, err := rm.takeCorrection(w, r)
	switch {
	case err == nil:
		w.Header().Set("Location", to)
		w.WriteHeader(http.StatusCreated)
	case errors.Is(err, correct.ErrBad):
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
	default:
		rm.fail(w, r, err)
	}
}

func (rm *Room) takeCorrection(w http.ResponseWriter, r *http.Request) (to string, err error) {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return "", err
	}
	var in sent
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, correctionBytes))
	d.DisallowUnknownFields()
	if err := d.Decode(&in); err != nil {
		return "", errors.Join(correct.ErrBad, err)
	}
	holder, _ := access.Holder(r.Context())
	c := correct.Correction{By: holder.Name, At: time.Now().UTC(), Note: in.Note, Upon: in.Upon}
	c.Places, c.Instants = in.Places, in.Instants
	if in.Upon != 0 {
		upon, err := rm.kept.Get(s.JobID, s.N, in.Upon)
		if err != nil {
			return "", err
		}
		c.Places, c.Instants = correct.Merge(upon.Places, in.Places, upon.Instants, in.Instants)
	}
	if err := c.Check(); err != nil {
		return "", err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return "", err
	}
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(measureWithin)); err != nil {
		return "", err
	}
	rm.again.Lock()
	defer rm.again.Unlock()
	_, _, record, err := correct.Measure(r.Context(), st.Track, st.Timeline, c, metrics.Options{Rules: rm.Rules})
	if err != nil {
		return "", err
	}
	n, err := rm.kept.Add(s.JobID, s.N, correct.Kept{Correction: c, Pipeline: record.Pipeline, Record: record,
		Clip: correct.ClipRef{SHA256: s.Swing.Clip.SHA256, Width: s.Swing.Clip.Width, Height: s.Swing.Clip.Height}})
	if err != nil {
		return "", err
	}
	// Whoever was forgotten meanwhile stays forgotten.
	if _, err := rm.record(s.JobID, r.PathValue("n")); errors.Is(err, worker.ErrNoRecord) {
		return "", errors.Join(err, rm.kept.Drop(s.JobID))
	}
	rm.Log.Info().Str("job", s.JobID).Int("swing", s.N).Int("correction", n).Str("by", c.By).Msg("corrected by hand")
	return s.Href() + "?as=" + strconv.Itoa(n), nil
}

// handTruth is a correction as training truth: what a person says of a clip, without
// the numbers that came of it.
type handTruth struct {
	correct.Correction
	Number int             `json:"number"`
	Clip   correct.ClipRef `json:"clip"`
}

func truths(all []correct.Kept) []handTruth {
	out := []handTruth{}
	for _, k := range all {
		out = append(out, handTruth{k.Correction, k.Number, k.Clip})
	}
	return out
}

// corrections sends those of one swing, oldest first.
func (rm *Room) corrections(w http.ResponseWriter, r *http.Request) error {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return err
	}
	all, err := rm.kept.List(s.JobID, s.N)
	if err != nil {
		return err
	}
	return sendJSON(w, truths(all))
}

// allCorrections sends those of every swing, by job.
func (rm *Room) allCorrections(w http.ResponseWriter, r *http.Request) error {
	all, err := rm.kept.All()
	if err != nil {
		return err
	}
	out := map[string][]handTruth{}
	for job, ks := range all {
		if rm.Afar && rm.mayShow(r.Context(), job) != nil {
			continue
		}
		out[job] = truths(ks)
	}
	return sendJSON(w, out)
}
