package analysis

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"nightcage/metrics"
	"nightcage/models"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/solve"
)

var (
	long      = flag.Bool("long", false, "BenchmarkCost: ten minutes of film with three swings too; TestFlatOverManyClips: 1,000 clips")
	costTable = flag.String("table", "", "BenchmarkCost: the file to write its table to")
)

// costClip is a clip of the table, made by ffmpeg of the repository's own. The
// hitter waits in a picture repeated with fresh noise, without which a decoder
// has nothing to do.
type costClip struct {
	name, what string
	long       bool
	from       []string
	filter     string
	encode     []string
}

const noise = ",noise=alls=4:allf=t[o]"

var (
	h264 = []string{"-c:v", "libx264", "-preset", "veryfast", "-crf", "22"}
	h265 = []string{"-c:v", "libx265", "-preset", "ultrafast", "-crf", "26", "-x265-params", "log-level=error:keyint=60", "-tag:v", "hvc1"}

	costClips = []costClip{
		{"slow", "3 s, 240 fps, 1280x720, H.264", false, []string{"s77001_09"},
			"[0:v]tpad=start_mode=clone:start_duration=0.8:stop_mode=clone:stop_duration=0.437" + noise, append(h264, "-g", "240")},
		{"usual", "10 s, 60 fps, 1920x1080, H.264", false, []string{"s77001_00"},
			"[0:v]fps=60,scale=1920:1080,tpad=start_mode=clone:start_duration=4.5:stop_mode=clone:stop_duration=3.4" + noise, append(h264, "-g", "60")},
		{"large", "2 s, 60 fps, 3840x2160, HEVC", false, []string{"s77001_00"},
			"[0:v]fps=60,scale=3840:2160" + noise, h265},
		{"bucket", "10 min, 30 fps, 1280x720, three swings, H.264", true, []string{"s77001_00", "s77001_04", "s77001_06"},
			"[0:v]fps=30,tpad=start_mode=clone:start_duration=198[a];[1:v]fps=30,tpad=start_mode=clone:start_duration=198[b];" +
				"[2:v]fps=30,tpad=start_mode=clone:start_duration=98:stop_mode=clone:stop_duration=100[c];[a][b][c]concat=n=3:v=1:a=0" + noise, append(h264, "-g", "30")},
	}
)

func (c costClip) make(b *testing.B) string {
	b.Helper()
	var args []string
	for _, f := range c.from {
		args = append(args, "-i", filepath.Join(clips, f+".mp4"))
	}
	return made(b, append(append(args, "-filter_complex", c.filter, "-map", "[o]", "-an"), c.encode...)...)
}

// spent is the processor time of this process and of the children it has waited
// for. Unlike the wall's it does not count what neighbours on the machine take.
func spent(b *testing.B) (t time.Duration) {
	b.Helper()
	for _, who := range []int{syscall.RUSAGE_SELF, syscall.RUSAGE_CHILDREN} {
		var u syscall.Rusage
		if err := syscall.Getrusage(who, &u); err != nil {
			b.Fatal(err)
		}
		t += time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	return t
}

// stage is one row of what a clip costs.
type stage struct {
	name string
	cpu  time.Duration
}

// meter charges processor time to stages.
type meter struct {
	b      *testing.B
	stages []stage
}

func (m *meter) add(name string, t time.Duration) {
	for i := range m.stages {
		if m.stages[i].name == name {
			m.stages[i].cpu += t
			return
		}
	}
	m.stages = append(m.stages, stage{name, t})
}

func (m *meter) run(name string, work func() error) {
	m.b.Helper()
	t := spent(m.b)
	if err := work(); err != nil {
		m.b.Fatalf("%s: %v", name, err)
	}
	m.add(name, spent(m.b)-t)
}

func (m *meter) total() (t time.Duration) {
	for _, s := range m.stages {
		t += s.cpu
	}
	return t
}

// resident reads a line of this process's memory, MB: VmRSS, what it holds, or VmHWM,
// the most it has held since resetResident.
func resident(t testing.TB, line string) float64 {
	t.Helper()
	f, err := os.Open("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		var kB float64
		if n, _ := fmt.Sscanf(s.Text(), line+": %f kB", &kB); n == 1 {
			return kB / 1024
		}
	}
	t.Fatalf("no %s", line)
	return 0
}

func resetResident(b *testing.B) {
	b.Helper()
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil {
		b.Fatal(err)
	}
}

// ours measures a clip as Run and see do, stage by stage. It returns the windows.
func ours(m *meter, path string) (windows [][2]int) {
	ctx := m.b.Context()
	var a *Analyser
	var s *survey
	steps := newSteps(nil)
	m.run("networks loaded", func() (err error) { a, err = New(ctx); return err })
	defer a.Close()
	m.run("survey", func() error {
		c, err := clip.Probe(ctx, path, vision.Subject{})
		if err == nil {
			s, err = surveyClip(ctx, path, c, steps)
		}
		return err
	})
	defer s.close()
	g := newGallery(path, s.clip, s)
	defer g.close()
	var p plan
	m.run("swings found", func() (err error) { p, err = a.windows(ctx, g, s.clip, s); return err })
	for _, win := range p.windows {
		windows = append(windows, win.frames)
		var w seen
		var l looking
		m.run("hitter found", func() (err error) { l, err = a.aim(ctx, g, win, vision.Subject{}, steps); return err })
		var found sights
		m.run("body, bat, ball", func() (err error) { w.track, found, err = a.look(ctx, l); return err })
		m.run("paths", func() error { return joinPaths(ctx, &w.track, found, l.heightPx) })
		enlarge(&w.track, l.shrink, s.clip)
		m.run("solved, timed", func() (err error) {
			if w.track, err = solve.Run(ctx, w.track); err == nil {
				if err = addSounds(ctx, path, &w.track); err == nil {
					w.timeline, err = phases.Find(w.track)
				}
			}
			return err
		})
		res := &Result{Seen: w.track, Timeline: w.timeline}
		m.run("measures", func() (err error) {
			res.Track, res.Swing, err = Measure(ctx, w.track, w.timeline, metrics.Options{})
			return err
		})
		m.run("stills", func() (err error) { res.Stills, err = drawStills(ctx, path, res); return err })
	}
	return windows
}

// decoded reads the clip once and gives each picture's index to each.
func decoded(b *testing.B, path string, each func(index int) error) (pictures int) {
	b.Helper()
	ctx := b.Context()
	c, err := clip.Probe(ctx, path, vision.Subject{})
	if err != nil {
		b.Fatal(err)
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	for {
		f, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			return pictures
		}
		if err == nil {
			err = each(f.Index)
		}
		if err != nil {
			b.Fatal(err)
		}
		pictures++
	}
}

// bounds are what a clip costs at least, and what the loop costs that looks for a
// body in every picture.
type bounds struct {
	decode time.Duration // every picture decoded once
	floor  time.Duration // and the pose network run once for each picture of the swings
	nets   time.Duration // and the depth and the bat network too
	loop   time.Duration // the pose network run for every picture of the clip
}

// bound measures the bounds. In the loop most would write the network runs in
// OpenCV, whose 4.6 cannot read it (weights of 16 bits): it runs as ours does.
func bound(b *testing.B, path string, windows [][2]int) (o bounds, pictures, inSwings int) {
	ctx := b.Context()
	run := map[models.Network]func() error{}
	for _, n := range []models.Network{models.PoseFull, models.BodyDepth, models.Bat} {
		net, err := models.Open(ctx, n)
		if err != nil {
			b.Fatal(err)
		}
		defer net.Close()
		run[n] = func() error { return net.Run(ctx) }
	}
	within := func(i int) bool {
		for _, w := range windows {
			if i >= w[0] && i < w[1] {
				return true
			}
		}
		return false
	}
	t := spent(b)
	pictures = decoded(b, path, func(i int) error {
		if within(i) {
			inSwings++
		}
		return nil
	})
	o.decode = spent(b) - t
	each := map[models.Network]time.Duration{}
	for n, look := range run {
		t := spent(b)
		for range inSwings {
			if err := look(); err != nil {
				b.Fatal(err)
			}
		}
		each[n] = spent(b) - t
	}
	o.floor = o.decode + each[models.PoseFull]
	o.nets = o.floor + each[models.BodyDepth] + each[models.Bat]
	o.loop = o.decode + time.Duration(float64(each[models.PoseFull])*float64(pictures)/float64(max(inSwings, 1)))
	return o, pictures, inSwings
}

// BenchmarkCost gives what a clip costs, networks' loading included, in processor
// time and as a multiple of what it costs at least, and where it goes. All is
// measured side by side in one process: single times mean little on a machine that
// others use, ratios do. Each iteration measures every clip anew, and the table
// gives medians with the smallest and the largest.
func BenchmarkCost(b *testing.B) {
	rows := map[string]*costRow{}
	for b.Loop() {
		for _, c := range costClips {
			if c.long && !*long {
				continue
			}
			row := rows[c.name]
			if row == nil {
				row = &costRow{clip: c, path: c.make(b)}
				rows[c.name] = row
			}
			row.measure(b)
			writeCosts(b, rows)
		}
	}
	for _, c := range costClips {
		if row := rows[c.name]; row != nil {
			b.ReportMetric(middle(row.overFloor), c.name+"/floor")
		}
	}
}

// writeCosts writes the table of what has been measured by now, so that a run that is
// cut off leaves something.
func writeCosts(b *testing.B, rows map[string]*costRow) {
	b.Helper()
	if *costTable == "" {
		return
	}
	var table strings.Builder
	fmt.Fprintln(&table, "# what a clip costs: processor time on one thread, its multiples of the least it can cost, memory; `make bench` writes this")
	for _, c := range costClips {
		if row := rows[c.name]; row != nil {
			row.write(&table)
		}
	}
	if err := os.WriteFile(*costTable, []byte(table.String()), 0o644); err != nil {
		b.Fatal(err)
	}
}

type costRow struct {
	clip               costClip
	path               string
	pictures, inSwings int
	swings             int
	names              []string
	stages             map[string][]float64 // ms
	total, wall        []float64            // s
	overFloor, overNets, loopOver,
	outside, memory []float64
}

func (r *costRow) measure(b *testing.B) {
	m := &meter{b: b}
	resetResident(b)
	start := time.Now()
	windows := ours(m, r.path)
	r.wall = append(r.wall, time.Since(start).Seconds())
	r.memory = append(r.memory, resident(b, "VmHWM"))
	o, pictures, inSwings := bound(b, r.path, windows)
	r.pictures, r.inSwings, r.swings = pictures, inSwings, len(windows)
	if r.stages == nil {
		r.stages = map[string][]float64{}
	}
	outside := time.Duration(0)
	for _, s := range m.stages {
		if r.stages[s.name] == nil {
			r.names = append(r.names, s.name)
		}
		r.stages[s.name] = append(r.stages[s.name], s.cpu.Seconds()*1000)
		if s.name == "survey" || s.name == "swings found" {
			outside += s.cpu
		}
	}
	ours := m.total().Seconds()
	r.total = append(r.total, ours)
	r.overFloor = append(r.overFloor, ours/o.floor.Seconds())
	r.overNets = append(r.overNets, ours/o.nets.Seconds())
	r.loopOver = append(r.loopOver, o.loop.Seconds()/ours)
	r.outside = append(r.outside, outside.Seconds()/o.decode.Seconds())
	r.stages["decoding"] = append(r.stages["decoding"], o.decode.Seconds()*1000)
	r.stages["floor"] = append(r.stages["floor"], o.floor.Seconds()*1000)
}

func (r *costRow) write(w io.Writer) {
	spread := func(x []float64, format string) string {
		return fmt.Sprintf(format+" ("+format+" to "+format+")", middle(x), slices.Min(x), slices.Max(x))
	}
	fmt.Fprintf(w, "\n%s: %s\n%d pictures, %d of them in %d %s\n", r.clip.name, r.clip.what, r.pictures, r.inSwings, r.swings, plural(r.swings, "swing", "swings"))
	fmt.Fprintf(w, "  over decoding once and the pose network once a picture of the swing  %s\n", spread(r.overFloor, "%.2f"))
	fmt.Fprintf(w, "  over that with the depth and the bat network once a picture          %s\n", spread(r.overNets, "%.2f"))
	fmt.Fprintf(w, "  pose network on every picture of the clip, over ours                 %s\n", spread(r.loopOver, "%.2f"))
	fmt.Fprintf(w, "  finding the swings, over decoding once                               %s\n", spread(r.outside, "%.2f"))
	fmt.Fprintf(w, "  most memory held, MB                                                 %s\n", spread(r.memory, "%.0f"))
	fmt.Fprintf(w, "  processor time, s %s; wall, s %s\n", spread(r.total, "%.1f"), spread(r.wall, "%.1f"))
	for _, n := range append(slices.Clone(r.names), "decoding", "floor") {
		fmt.Fprintf(w, "    %-18s %7.0f ms\n", n, middle(r.stages[n]))
	}
}

// middle is the median; it leaves x as it is.
func middle(x []float64) float64 { return median(slices.Clone(x)) }
