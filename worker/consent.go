package worker

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/cloudevents/sdk-go/v2/types"
	"golang.org/x/text/unicode/norm"

	"nightcage/vision"
)

// ConsentBy says who agreed that a hitter's film and numbers may be shown to
// others.
type ConsentBy string

// Who agreed. The zero value means that nobody was asked, or nobody told us.
const (
	ConsentGuardian ConsentBy = "guardian" // a parent or legal guardian, for the hitter
	ConsentSelf     ConsentBy = "self"     // the hitter, of age
	ConsentNone     ConsentBy = "none"     // asked and refused, or withdrawn
)

// Consents lists every word for it.
func Consents() []ConsentBy { return []ConsentBy{ConsentGuardian, ConsentSelf, ConsentNone} }

// Consent is who agreed and when it was told. The zero value means "not told".
type Consent struct {
	By   ConsentBy `json:"by"`
	Told time.Time `json:"told"`
}

// gives reports whether it lets film be shown.
func (c Consent) gives() bool { return c.By == ConsentGuardian || c.By == ConsentSelf }

// CheckConsent refuses words that are none of Consents, and "self" for a youth
// hitter: minors do not consent for themselves. Empty passes: not told. The
// error is a *Failure of KindBadSubject.
func CheckConsent(by ConsentBy, level vision.Level) error {
	bad := func(words string) error {
		return &Failure{Class: ClassBadClip, Kind: KindBadSubject, Words: words}
	}
	if by != "" && !slices.Contains(Consents(), by) {
		return bad(fmt.Sprintf("consent %q is not one of %v", by, Consents()))
	}
	if by == ConsentSelf && level == vision.LevelYouth {
		return bad("a youth hitter cannot consent alone: ask a guardian")
	}
	return nil
}

// ErrNoConsent: a record must not leave the home.
var ErrNoConsent = errors.New("no consent to show it to others")

// ConsentError says whose consent is missing. It wraps ErrNoConsent.
type ConsentError struct {
	Hitter, Team string
	Record       string
	Consent      Consent // as last told
}

func (e *ConsentError) Error() string {
	why := "nobody has said that a guardian, or the hitter if of age, agreed"
	if e.Consent.By == ConsentNone {
		why = "it was refused or withdrawn on " + e.Consent.Told.Local().Format(time.DateOnly)
	}
	return fmt.Sprintf("record %s of %s (%s): %v: %s", e.Record, e.Hitter, e.Team, ErrNoConsent, why)
}

func (e *ConsentError) Unwrap() error { return ErrNoConsent }

// Extension attributes of a record that say what was told with its job.
const (
	extConsent     = "consent"
	extConsentTold = "consenttold"
)

// mark writes what was told into a record's event; nothing when nothing was.
func (c Consent) mark(e *event.Event) {
	if c.By != "" {
		e.SetExtension(extConsent, string(c.By))
		e.SetExtension(extConsentTold, c.Told.UTC())
	}
}

// consentIn reads what mark wrote. What cannot be read counts as not told.
func consentIn(e event.Event) Consent {
	by, _ := e.Extensions()[extConsent].(string)
	told, err := types.ToTime(e.Extensions()[extConsentTold])
	if err != nil || !slices.Contains(Consents(), ConsentBy(by)) {
		return Consent{}
	}
	return Consent{By: ConsentBy(by), Told: told}
}

const consentSchema = `
CREATE TABLE IF NOT EXISTS consents (
  team TEXT NOT NULL,
  hitter TEXT NOT NULL,
  consent TEXT NOT NULL,
  told_ms INTEGER NOT NULL,
  PRIMARY KEY (team, hitter)
) STRICT;
`

// nameKey is a team's or hitter's name as the ledger compares it. Folder names
// come with their accents apart from some systems, typed ones do not.
func nameKey(name string) string { return strings.ToLower(norm.NFC.String(strings.TrimSpace(name))) }

// TellConsent keeps what was told of a hitter, unless something was told later.
// It holds for all of the hitter's records, those stored before included.
func (l *Ledger) TellConsent(ctx context.Context, team, hitter string, c Consent) error {
	if c.By == "" {
		return nil
	}
	return l.tx(ctx, "consent", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO consents(team,hitter,consent,told_ms) VALUES(?,?,?,?)
			ON CONFLICT(team,hitter) DO UPDATE SET consent=excluded.consent, told_ms=excluded.told_ms
			WHERE excluded.told_ms >= told_ms`, nameKey(team), nameKey(hitter), string(c.By), c.Told.UnixMilli())
		return err
	})
}

// ConsentOf returns what was last told of a hitter; the zero value when nothing
// was.
func (l *Ledger) ConsentOf(ctx context.Context, team, hitter string) (Consent, error) {
	var by string
	var ms int64
	err := l.db.QueryRowContext(ctx, `SELECT consent,told_ms FROM consents WHERE team=? AND hitter=?`,
		nameKey(team), nameKey(hitter)).Scan(&by, &ms)
	if errors.Is(err, sql.ErrNoRows) {
		return Consent{}, nil
	}
	if err != nil {
		return Consent{}, fmt.Errorf("%w: ledger: consent: %w", ErrStorage, err)
	}
	return Consent{By: ConsentBy(by), Told: time.UnixMilli(ms)}, nil
}

// MayShare is to be asked before a record, or anything made from it, leaves the
// home: a sheet, an export, a page for others. What counts is what was told last
// of the record's hitter, with this record or in the ledger. nil: it may. Errors:
// *ConsentError, or one that wraps ErrStorage.
func (l *Ledger) MayShare(ctx context.Context, record event.Event) error {
	return l.mayShare(ctx, teamOf(record), record.Subject(), record.ID(), consentIn(record))
}

// MayShareJob is MayShare for a job, whether it has a record or not.
func (l *Ledger) MayShareJob(ctx context.Context, j Job) error {
	return l.mayShare(ctx, j.Subject.Team, j.Subject.Hitter, j.ID, j.Consent)
}

func (l *Ledger) mayShare(ctx context.Context, team, hitter, record string, in Consent) error {
	c, err := l.ConsentOf(ctx, team, hitter)
	if err != nil {
		return fmt.Errorf("record %s: %w", record, err)
	}
	if c.By == "" || in.Told.After(c.Told) && in.By != "" {
		c = in
	}
	if !c.gives() {
		return &ConsentError{Hitter: hitter, Team: team, Record: record, Consent: c}
	}
	return nil
}
