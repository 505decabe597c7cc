package morning

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"unicode"
)

//go:embed page.html
var pageHTML string

var page = template.Must(template.New("morning").Parse(pageHTML))

// HTML writes the sheet as one page that needs nothing else: no script, no
// picture, no font, no network.
func (s Sheet) HTML(w io.Writer) error {
	var b bytes.Buffer
	if err := page.Execute(&b, s); err != nil {
		return fmt.Errorf("morning sheet of %s: %w", s.Team, err)
	}
	_, err := b.WriteTo(w)
	return err
}

// FileName is a name for the page that is safe in any folder, whatever the team
// is called: letters and digits in lower case, all else a hyphen.
func (s Sheet) FileName() string {
	var b strings.Builder
	for _, r := range strings.ToLower(s.Team) {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
		if b.Len() > 80 {
			break
		}
	}
	return "morning-" + or(strings.TrimSuffix(b.String(), "-"), "no-team") + ".html"
}
