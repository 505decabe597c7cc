package worker

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"nightcage/vision"
)

// Bounds of what is believed about a hitter and a bat, in inches. Outside them
// a number is taken for a slip (feet for inches, centimetres for inches).
const (
	MinHeightIn = 30 // a two-year-old; common practice, no source
	MaxHeightIn = 96
	MinInseamIn = 10
	MaxInseamIn = 60
	MinBatIn    = 20
	// Official Baseball Rules 3.02(a): a bat is not more than 42 in long. One
	// inch is left for how the length was taken.
	MaxBatIn      = 43
	MaxCaptureFPS = 10000
)

// Job is one clip to be measured for one hitter. It is the message on the
// queue; the clip itself never is.
type Job struct {
	// ID is the idempotency key, 32 hex digits; see NewJob.
	ID string `json:"id"`
	// Clip is the absolute path of the file, readable by every worker unless
	// Deposited.
	Clip       string         `json:"clip"`
	ClipSHA256 string         `json:"clip_sha256"` // of the file's bytes at submission, lower-case hex
	Subject    vision.Subject `json:"subject"`
	// Pipeline is the version that the submitter knew. The worker that measures
	// the clip may be newer; the record says which version made it.
	Pipeline    string    `json:"pipeline"`
	SubmittedAt time.Time `json:"submitted_at"`
	// Round counts deliberate re-runs of a dead job, from 0. A failure record
	// of an earlier round does not stop a later one.
	Round int `json:"round,omitempty"`
	// Deposited: workers fetch the clip from the depot that they share; see Deposit.
	Deposited bool `json:"deposited,omitempty"`
	// Low: a re-run that waits until no other job does.
	Low bool `json:"low,omitempty"`
	// Consent is what was told with the clip of who lets it be shown to others. It is
	// no part of the ID.
	Consent Consent `json:"consent,omitzero"`
}

// NewJob hashes the clip and makes its job. The ID is the first 128 bits of the
// SHA-256 of the clip's hash, the subject and the pipeline version, so the same
// clip submitted twice in the same words is the same job wherever its file lies.
//
// The error is a *Failure: ClassBadClip when the file cannot be read or the
// subject is not believable.
func NewJob(ctx context.Context, path string, subject vision.Subject, pipeline string, now time.Time) (Job, error) {
	// Folder names come with their accents apart from some systems.
	subject.Hitter = norm.NFC.String(strings.TrimSpace(subject.Hitter))
	subject.Team = norm.NFC.String(strings.TrimSpace(subject.Team))
	if subject.Bats == "" {
		subject.Bats = vision.SideUnknown
	}
	if err := CheckSubject(subject); err != nil {
		return Job{}, err
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return Job{}, fmt.Errorf("find %s: %w", path, err)
	}
	if !utf8.ValidString(abs) { // a job is JSON
		return Job{}, &Failure{Class: ClassBadClip, Kind: KindUnreadable, Words: "the clip's name is not written in Unicode: give it another"}
	}
	sum, err := hashClip(ctx, abs, nil)
	if err != nil {
		return Job{}, err
	}
	return Job{
		ID:          jobID(sum, subject, pipeline),
		Clip:        abs,
		ClipSHA256:  sum,
		Subject:     subject,
		Pipeline:    pipeline,
		SubmittedAt: now.UTC(),
	}, nil
}

func jobID(clipSHA256 string, subject vision.Subject, pipeline string) string {
	b, err := json.Marshal(struct {
		Clip     string         `json:"clip"`
		Subject  vision.Subject `json:"subject"`
		Pipeline string         `json:"pipeline"`
	}{clipSHA256, subject, pipeline})
	if err != nil {
		// Only a float that is not a number can do this, and CheckSubject
		// refuses those.
		panic(fmt.Sprintf("worker: job key: %v", err))
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:16])
}

// parseJob reads a queue message and refuses what no submitter of ours writes.
func parseJob(b []byte) (Job, error) {
	var j Job
	if err := json.Unmarshal(b, &j); err != nil {
		return Job{}, &Failure{Class: ClassBadClip, Kind: KindBadJob, Words: "the queue message is not a job", Err: err}
	}
	if !validID(j.ID) || !filepath.IsAbs(j.Clip) || len(j.ClipSHA256) != 2*sha256.Size {
		return j, &Failure{Class: ClassBadClip, Kind: KindBadJob, Words: "the queue message lacks a job's id, clip or hash"}
	}
	return j, CheckSubject(j.Subject)
}

// validID reports whether s can be a Job.ID: it becomes a directory name and a
// subject token.
func validID(s string) bool {
	if len(s) != 32 {
		return false
	}
	for _, c := range s {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

// CheckSubject refuses sizes and words that cannot be true. Zero means "not
// told" and passes. The error is a *Failure of KindBadSubject.
func CheckSubject(s vision.Subject) error {
	bad := func(format string, a ...any) error {
		return &Failure{Class: ClassBadClip, Kind: KindBadSubject, Words: fmt.Sprintf(format, a...)}
	}
	within := func(v, lo, hi float64) bool { return v == 0 || (v >= lo && v <= hi) } // false for NaN
	switch {
	case !within(s.HeightIn, MinHeightIn, MaxHeightIn):
		return bad("a hitter %g in tall is not believable (%d to %d in)", s.HeightIn, MinHeightIn, MaxHeightIn)
	case !within(s.InseamIn, MinInseamIn, MaxInseamIn):
		return bad("an inseam of %g in is not believable", s.InseamIn)
	case !within(s.BatIn, MinBatIn, MaxBatIn):
		return bad("a bat %g in long is not believable (%d to %d in)", s.BatIn, MinBatIn, MaxBatIn)
	case !within(s.CaptureFPS, 1, MaxCaptureFPS):
		return bad("a capture rate of %g frames per second is not believable", s.CaptureFPS)
	}
	if s.Filmed != "" {
		if _, _, err := Filmed(s.Filmed); err != nil {
			return bad("filmed %v", err)
		}
	}
	switch s.Bats {
	case vision.SideLeft, vision.SideRight, vision.SideUnknown:
	default:
		return bad("bats %q: left, right or auto", s.Bats)
	}
	switch {
	case s.Level != "" && !slices.Contains(vision.Levels(), s.Level):
		return bad("level %q is not one of %v", s.Level, vision.Levels())
	case s.Sport != "" && !slices.Contains(vision.Sports(), s.Sport):
		return bad("sport %q is not one of %v", s.Sport, vision.Sports())
	case s.Ball != "" && !slices.Contains(vision.BallsFrom(), s.Ball):
		return bad("ball %q is not one of %v", s.Ball, vision.BallsFrom())
	}
	return nil
}

// hashClip returns the SHA-256 of a regular file's bytes, calling touch, if any,
// as it goes.
func hashClip(ctx context.Context, path string, touch func()) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		kind, class := KindUnreadable, ClassBadClip
		if os.IsNotExist(err) {
			kind = KindClipMissing
		}
		return "", &Failure{Class: class, Kind: kind, Words: "the clip cannot be opened", Err: err}
	}
	defer f.Close()
	if st, err := f.Stat(); err != nil || !st.Mode().IsRegular() {
		return "", &Failure{Class: ClassBadClip, Kind: KindUnreadable, Words: path + " is not a file", Err: err}
	}
	h := sha256.New()
	if _, err := io.Copy(h, watchedReader{ctx, f, touch}); err != nil {
		if ctx.Err() != nil {
			return "", fmt.Errorf("hash %s: %w", path, ctx.Err())
		}
		return "", &Failure{Class: ClassTransient, Kind: KindStorage, Words: "the clip cannot be read to its end", Err: err}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

type watchedReader struct {
	ctx   context.Context
	r     io.Reader
	touch func()
}

func (r watchedReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	if r.touch != nil {
		r.touch()
	}
	return r.r.Read(p)
}

// teamToken turns a team's name into one token of a queue subject: letters and
// digits in lower case, all else a hyphen. Two teams may share a token; the
// record holds the full name.
func teamToken(team string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(team) {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	if t := strings.TrimSuffix(b.String(), "-"); t != "" {
		return t
	}
	return "no-team"
}
