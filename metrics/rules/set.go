package rules

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"nightcage/metrics"
	"nightcage/metrics/internal/coachfile"
)

// FileName is what a coach's own rules are called in the home.
const FileName = "rules.yaml"

// ShippedName is the name of the set that comes with the program.
const ShippedName = "shipped"

// Set is the rules of one record.
type Set struct {
	Name   string // ShippedName, or that and the name of a coach's file
	SHA256 string // of the files' bytes, one after the other; lower-case hex
	Chains []Chain
	Bands  Bands
	file   string // what Load was called with; "" for the shipped set
	text   []byte
}

// MaxBytes bounds a coach's file. It is ten times the one that ships, and what is
// handed to another process in its environment must stay under 128 kB (Linux,
// execve(2)).
const MaxBytes = 100 << 10

// file is a file of rules. Each part may be absent.
type file struct {
	Chains   []Chain  `yaml:"chains"`
	Bands    Bands    `yaml:"bands"`
	LeaveOut []string `yaml:"leave_out"` // ids of chains
}

//go:embed rules.yaml
var shippedYAML []byte

//go:embed rules.schema.json
var schemaJSON []byte

var format = coachfile.NewFormat("urn:nightcage:rules:1", schemaJSON)

// ShippedYAML returns the file of the rules that come with the program.
func ShippedYAML() []byte { return bytes.Clone(shippedYAML) }

// Shipped returns the rules that come with the program. They must not be changed.
func Shipped() *Set { return shipped() }

var shipped = sync.OnceValue(func() *Set {
	own, err := read("rules.yaml", shippedYAML, nil)
	if err != nil {
		panic("rules: embedded " + err.Error())
	}
	return &Set{Name: ShippedName, SHA256: sum(shippedYAML), Chains: own.Chains, Bands: own.Bands}
})

func sum(parts ...[]byte) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write(p)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Load reads a coach's own rules, which go before those that ship: a chain takes
// the place of the shipped one of the same id, a band that of the shipped one for
// the same measure, sport and level, and chains named under leave_out are not
// looked for. name is what errors and records call the file. The error joins one
// line for each thing that is wrong, as "name:line: where: what".
func Load(name string, text []byte) (*Set, error) {
	if len(text) > MaxBytes {
		return nil, fmt.Errorf("%s: %d bytes; rules may have %d", name, len(text), MaxBytes)
	}
	base := Shipped()
	own, err := read(name, text, base.Chains)
	if err != nil {
		return nil, err
	}
	s := &Set{Name: ShippedName + " and " + name, SHA256: sum(shippedYAML, text), Bands: base.Bands.with(own.Bands),
		file: name, text: text}
	for _, c := range base.Chains {
		if i := indexOf(own.Chains, c.ID); i >= 0 {
			c = own.Chains[i]
			own.Chains = slices.Delete(own.Chains, i, i+1)
		}
		if !slices.Contains(own.LeaveOut, c.ID) {
			s.Chains = append(s.Chains, c)
		}
	}
	s.Chains = append(s.Chains, own.Chains...)
	return s, nil
}

func indexOf(chains []Chain, id string) int {
	return slices.IndexFunc(chains, func(c Chain) bool { return c.ID == id })
}

// read parses a file and checks what a schema cannot. shipped are the chains that
// leave_out can name.
func read(name string, text []byte, shipped []Chain) (file, error) {
	var own file
	f, err := format.Read(name, text, &own)
	if err != nil {
		return own, err
	}
	errs := append(checkChains(f, own.Chains), checkBands(f, own.Bands)...)
	for i, id := range own.LeaveOut {
		if indexOf(shipped, id) < 0 {
			errs = append(errs, f.Wrong([]string{"leave_out", strconv.Itoa(i)}, fmt.Sprintf("no chain that ships is called %q", id)))
		}
	}
	return own, errors.Join(errs...)
}

// Pack is what Unpack makes the same set from in another process; "" for the
// shipped one.
func (s *Set) Pack() string {
	if s.file == "" {
		return ""
	}
	return s.file + "\n" + string(s.text)
}

// Unpack undoes Pack. Errors: those of Load.
func Unpack(packed string) (*Set, error) {
	if packed == "" {
		return Shipped(), nil
	}
	name, text, _ := strings.Cut(packed, "\n")
	return Load(name, []byte(text))
}

// Apply holds a swing against the rules: it sets the record's bands, its findings
// with the chains that were not raised, and the name of the set.
func (s *Set) Apply(swing *metrics.Swing) {
	swing.Rules = &metrics.RulesUsed{Name: s.Name, SHA256: s.SHA256}
	for i := range swing.Measures {
		m := &swing.Measures[i]
		m.Band = s.Bands.For(m.ID, swing.Subject.Sport, swing.Subject.Level)
	}
	swing.Findings, swing.NotRaised = s.find(swing)
}

func unknown(measure string) string {
	return fmt.Sprintf("there is no measure %q; `nightcage measures` lists them all", measure)
}
