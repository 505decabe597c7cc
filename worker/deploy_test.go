package worker

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"go.yaml.in/yaml/v3"
)

func deployed(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("deploy", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// metricNames are the families that a worker at work exposes, with the suffixes
// that a histogram has in queries.
func metricNames(t *testing.T) map[string]bool {
	t.Helper()
	n := newNight(t)
	n.atWork()
	all := prometheus.NewRegistry()
	all.MustRegister(scrape{n.Worker})
	families, err := prometheus.Gatherers{n.Worker.signs().figures.registry, all}.Gather()
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, f := range families {
		names[f.GetName()] = true
		if f.GetType().String() == "HISTOGRAM" {
			names[f.GetName()+"_bucket"] = true
		}
	}
	return names
}

var (
	metricName = regexp.MustCompile(`\b(nightcage|process|go)_[a-z_]+`)
)

// Dashboard and alerts ask for figures that there are, and the dashboard shows all
// of them.
func TestDashboardAndAlertsAskForWhatThereIs(t *testing.T) {
	t.Parallel()
	names := metricNames(t)
	var board struct {
		Title  string
		Panels []struct {
			Title, Description string
			GridPos            struct{ X, Y, W, H int }
			Targets            []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(deployed(t, "dashboard.json"), &board); err != nil {
		t.Fatal(err)
	}
	shown := map[string]bool{}
	taken := map[[2]int]string{}
	for _, p := range board.Panels {
		if p.Title == "" || p.Description == "" || len(p.Targets) == 0 {
			t.Errorf("panel %+v lacks title, description or query", p)
		}
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				if other := taken[[2]int{x, y}]; other != "" || x >= 24 {
					t.Fatalf("panel %q lies on %q or over the edge", p.Title, other)
				}
				taken[[2]int{x, y}] = p.Title
			}
		}
		for _, q := range p.Targets {
			found := metricName.FindAllString(q.Expr, -1)
			if len(found) == 0 {
				t.Errorf("panel %q asks %q", p.Title, q.Expr)
			}
			for _, name := range found {
				shown[strings.TrimSuffix(name, "_bucket")] = true
				if !names[name] {
					t.Errorf("panel %q asks for %s, which no worker has", p.Title, name)
				}
			}
		}
	}
	for name := range names {
		if strings.HasPrefix(name, "nightcage_") && !shown[strings.TrimSuffix(name, "_bucket")] {
			t.Errorf("no panel shows %s", name)
		}
	}
	var alerts struct {
		Groups []struct {
			Rules []struct {
				Alert, Expr string
				Annotations struct{ Summary string }
			}
		}
	}
	if err := yaml.Unmarshal(deployed(t, "alerts.yml"), &alerts); err != nil || len(alerts.Groups) != 1 {
		t.Fatalf("%v: %+v", err, alerts)
	}
	for _, r := range alerts.Groups[0].Rules {
		found := metricName.FindAllString(r.Expr, -1)
		if r.Alert == "" || r.Annotations.Summary == "" || len(found) == 0 {
			t.Errorf("rule %+v", r)
		}
		for _, name := range found {
			if !names[name] {
				t.Errorf("alert %s asks for %s, which no worker has", r.Alert, name)
			}
		}
	}
	verdicts := []string{string(verdictMeasured), string(ActUnmeasured), string(ActDead), string(ActLater), string(ActHandBack)}
	for _, m := range regexp.MustCompile(`verdict="([a-z_]+)"`).FindAllStringSubmatch(string(deployed(t, "alerts.yml")), -1) {
		if !slices.Contains(verdicts, m[1]) {
			t.Errorf("an alert asks for verdict %q", m[1])
		}
	}
}

// The unit is one that systemd accepts. Where systemd-analyze is missing the lines
// are still checked for sections and keys.
func TestSystemdUnit(t *testing.T) {
	t.Parallel()
	unit := string(deployed(t, "nightcage.service"))
	section := ""
	for i, line := range strings.Split(unit, "\n") {
		switch key, _, ok := strings.Cut(line, "="); {
		case line == "" || line[0] == '#':
		case line[0] == '[':
			section = line
		case section == "" || !ok || !regexp.MustCompile(`^[A-Z][A-Za-z]+$`).MatchString(key):
			t.Errorf("line %d: %s", i+1, line)
		}
	}
	program, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Log("systemd-analyze is not installed: its own opinion was not asked")
		return
	}
	p := filepath.Join(t.TempDir(), "nightcage.service")
	// The program need not be installed here, nor the user known.
	unit = strings.NewReplacer("/usr/local/bin/nightcage", "/bin/true", "User=nightcage", "User=root").Replace(unit)
	if err := os.WriteFile(p, []byte(unit), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), program, "verify", "--man=no", p).CombinedOutput()
	if err != nil || strings.Contains(string(out), "nightcage.service") {
		t.Errorf("%v: %s", err, out)
	}
}

func TestComposeFile(t *testing.T) {
	t.Parallel()
	var c struct {
		Services map[string]struct {
			Command     []string
			Volumes     []string
			Healthcheck struct{ Test []string }
		}
	}
	if err := yaml.Unmarshal(deployed(t, "compose.yaml"), &c); err != nil {
		t.Fatal(err)
	}
	for name, s := range c.Services {
		for _, v := range s.Volumes {
			from, _, _ := strings.Cut(v, ":")
			if strings.HasPrefix(from, "./") && from != "./clips" {
				deployed(t, from)
			}
			if from == "./clips" && !strings.HasSuffix(v, ":ro") {
				t.Errorf("%s may write to the clips", name)
			}
		}
	}
	// The check of the container tells a healthy worker from one that is not.
	test := c.Services["worker"].Healthcheck.Test
	if len(test) != 4 || test[0] != "CMD" {
		t.Fatalf("%q", test)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	code := make(chan int, 1)
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/healthz" {
			t.Errorf("asks for %s", r.URL.Path)
		}
		w.WriteHeader(<-code)
	})}
	go srv.Serve(l)
	defer srv.Close()
	script := strings.NewReplacer("$$", "$", "127.0.0.1/9370", fmt.Sprintf("127.0.0.1/%d", l.Addr().(*net.TCPAddr).Port)).Replace(test[3])
	for answer, want := range map[int]bool{200: true, 503: false} {
		code <- answer
		if err := exec.CommandContext(t.Context(), test[1], test[2], script).Run(); (err == nil) != want {
			t.Errorf("answer %d: %v", answer, err)
		}
	}
	srv.Close()
	if err := exec.CommandContext(t.Context(), test[1], test[2], script).Run(); err == nil {
		t.Error("healthy without a worker")
	}
}
