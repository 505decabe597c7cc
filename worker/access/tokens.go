package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Scope is one thing that a token allows.
type Scope string

// The scopes.
const (
	Read   Scope = "read"   // look at records, stills and the queue's state
	Submit Scope = "submit" // hand in clips
	Admin  Scope = "admin"  // everything, corrections and deletions included
)

// Scopes lists every scope.
func Scopes() []Scope { return []Scope{Read, Submit, Admin} }

// Sentinels that callers test with errors.Is.
var (
	// ErrNoToken: there is no token, or it is not one of ours, or it was revoked.
	ErrNoToken = errors.New("no valid token")
	// ErrScope: the token is good for other things.
	ErrScope = errors.New("the token does not allow this")
	// ErrUnknownToken: no token has this id.
	ErrUnknownToken = errors.New("no such token")
	// ErrBadToken: a name or scope that a token cannot have.
	ErrBadToken = errors.New("not what a token can have")
	// ErrFile: the file of tokens cannot be read or written.
	ErrFile = errors.New("the tokens are unavailable")
)

// Token is what is kept of a token.
type Token struct {
	ID      string    `json:"id"`   // 8 characters, the part that lists and logs show
	Name    string    `json:"name"` // whose or what it is, up to 80 characters
	Scopes  []Scope   `json:"scopes"`
	Created time.Time `json:"created"`
	// SHA256 is of the whole secret, lower-case hex. The secret has 130 random
	// bits, so a slow hash would add nothing.
	SHA256 string `json:"sha256"`
}

// Allows reports whether the token is good for a scope.
func (t Token) Allows(s Scope) bool {
	return slices.Contains(t.Scopes, s) || slices.Contains(t.Scopes, Admin)
}

// Tokens is a file of tokens, mode 0600. Several processes may use it at once; a
// token that one of them revokes is void for the others from then on.
type Tokens struct{ path string }

// Open names the file; it need not exist yet.
func Open(path string) *Tokens { return &Tokens{path: path} }

const (
	secretPrefix = "nightcage_"
	idLen        = 8
	maxName      = 80
)

// Create makes a token. The secret is nightcage_ID_ and 26 characters, and cannot be
// had again. Errors are ErrBadToken and ErrFile.
func (t *Tokens) Create(name string, scopes []Scope, now time.Time) (secret string, made Token, err error) {
	name = strings.TrimSpace(name)
	if name == "" || len(name) > maxName || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' }) {
		return "", made, fmt.Errorf("%w: name %q", ErrBadToken, name)
	}
	if len(scopes) == 0 {
		return "", made, fmt.Errorf("%w: no scope", ErrBadToken)
	}
	for _, s := range scopes {
		if !slices.Contains(Scopes(), s) {
			return "", made, fmt.Errorf("%w: scope %q", ErrBadToken, s)
		}
	}
	made = Token{ID: strings.ToLower(rand.Text()[:idLen]), Name: name, Scopes: scopes, Created: now.UTC()}
	secret = secretPrefix + made.ID + "_" + rand.Text()
	made.SHA256 = digest(secret)
	err = t.change(func(all []Token) ([]Token, error) { return append(all, made), nil })
	return secret, made, err
}

// List returns the tokens, oldest first.
func (t *Tokens) List() ([]Token, error) {
	b, err := os.ReadFile(t.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var all []Token
	if err == nil {
		err = json.Unmarshal(b, &all)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFile, err)
	}
	return all, nil
}

// Revoke voids a token. ErrUnknownToken when there is none with this id.
func (t *Tokens) Revoke(id string) error {
	return t.change(func(all []Token) ([]Token, error) {
		left := slices.DeleteFunc(slices.Clone(all), func(k Token) bool { return k.ID == id })
		if len(left) == len(all) {
			return nil, fmt.Errorf("%w: %s", ErrUnknownToken, id)
		}
		return left, nil
	})
}

// Check returns the token whose secret this is. ErrNoToken, ErrScope, or ErrFile; a
// token without the scope is returned beside ErrScope.
func (t *Tokens) Check(secret string, need Scope) (Token, error) {
	all, err := t.List()
	if err != nil {
		return Token{}, err
	}
	sum := digest(secret)
	for _, k := range all {
		if subtle.ConstantTimeCompare([]byte(k.SHA256), []byte(sum)) == 1 {
			if !k.Allows(need) {
				return k, fmt.Errorf("%w: %s wants %s", ErrScope, k.ID, need)
			}
			return k, nil
		}
	}
	return Token{}, ErrNoToken
}

func digest(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// change rewrites the file under a lock, in one rename.
func (t *Tokens) change(f func([]Token) ([]Token, error)) error {
	fail := func(err error) error { return fmt.Errorf("%w: %w", ErrFile, err) }
	lock, err := os.OpenFile(t.path+".lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fail(err)
	}
	defer lock.Close() // the lock goes with the descriptor
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX); err != nil {
		return fail(err)
	}
	all, err := t.List()
	if err != nil {
		return err
	}
	if all, err = f(all); err != nil {
		return err
	}
	b, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return fail(err)
	}
	tmp, err := os.CreateTemp(filepath.Dir(t.path), filepath.Base(t.path)+".new-") // mode 0600
	if err != nil {
		return fail(err)
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.Write(append(b, '\n'))
	if err == nil {
		err = tmp.Sync()
	}
	if cerr := tmp.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(tmp.Name(), t.path)
	}
	if err != nil {
		return fail(err)
	}
	return nil
}
