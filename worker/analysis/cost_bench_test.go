package analysis

import (
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
	name      string
	cpu, wall time.Duration
}

// meter charges processor time, and time on the wall, to stages.
type meter struct {
	b      *testing.B
	stages []stage
}

func (m *meter) run(name string, work func() error) {
	m.b.Helper()
	cpu, wall := spent(m.b), time.Now()
	if err := work(); err != nil {
		m.b.Fatalf("%s: %v", name, err)
	}
	took := stage{name, spent(m.b) - cpu, time.Since(wall)}
	for i := range m.stages {
		if s := &m.stages[i]; s.name == name {
			s.cpu, s.wall = s.cpu+took.cpu, s.wall+took.wall
			return
		}
	}
	m.stages = append(m.stages, took)
}

// cpu is the processor time of the stages named, of all without names.
func (m *meter) cpu(names ...string) (t time.Duration) {
	for _, s := range m.stages {
		if len(names) == 0 || slices.Contains(names, s.name) {
			t += s.cpu
		}
	}
	return t
}

// ours measures a clip as Run and see do, stage by stage. It returns the windows.
func ours(m *meter, path string) []window {
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
	return p.windows
}

// bounds are what a clip costs at least, and what the loop costs that looks for a
// body in every picture.
type bounds struct {
	pictures, inSwings int
	decode             time.Duration // every picture decoded once
	floor              time.Duration // and each of the swings made BGR and shown to the pose network
	nets               time.Duration // and to the depth and the bat network too
	loop               time.Duration // every picture read as BGR and shown to the pose network, by OpenCV
	loopOrt            time.Duration // the same but for the network, which ONNX Runtime runs
}

func bound(b *testing.B, path string, windows []window) (o bounds) {
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
	t := spent(b)
	for ; err == nil; o.pictures++ {
		_, err = r.Skip(ctx)
	}
	o.decode, o.pictures = spent(b)-t, o.pictures-1
	if !errors.Is(err, io.EOF) {
		b.Fatal(err)
	}
	for _, w := range windows {
		o.inSwings += w.frames[1] - w.frames[0]
	}
	if err := r.Seek(ctx, windows[0].frames[0]); err != nil {
		b.Fatal(err)
	}
	if _, err := r.Skip(ctx); err != nil {
		b.Fatal(err)
	}
	picture, _ := price(b, func() error { _, err := r.Picture(); return err })
	run := map[models.Network]time.Duration{}
	for _, n := range []models.Network{models.PoseFull, models.BodyDepth, models.Bat} {
		net, err := models.Open(ctx, n)
		if err != nil {
			b.Fatal(err)
		}
		defer net.Close()
		run[n], _ = price(b, func() error { return net.Run(ctx) })
	}
	times := func(n int, each time.Duration) time.Duration { return time.Duration(n) * each }
	o.floor = o.decode + times(o.inSwings, picture+run[models.PoseFull])
	o.nets = o.floor + times(o.inSwings, run[models.BodyDepth]+run[models.Bat])
	read, blob, opencv := opencvLoop(b, path, o.pictures)
	o.loop = read + times(o.pictures, blob+opencv)
	o.loopOrt = read + times(o.pictures, blob+run[models.PoseFull])
	return o
}

// price is what work costs each time.
func price(b *testing.B, work func() error) (cpu, wall time.Duration) {
	b.Helper()
	const before, runs = 10, 60
	var began time.Time
	for i := range before + runs {
		if i == before { // its buffers are there, and a decoder's threads have ended
			cpu, began = spent(b), time.Now()
		}
		if err := work(); err != nil {
			b.Fatal(err)
		}
	}
	return (spent(b) - cpu) / runs, time.Since(began) / runs
}

// BenchmarkCost gives what a clip costs, networks' loading included, in processor
// time and as a multiple of what it costs at least, and where it goes. All is
// measured side by side in one process: single times mean little on a machine that
// others use, ratios do. Memory is that of another process, which measures the one
// clip. Each iteration measures every clip anew, and the table gives medians with the
// smallest and the largest.
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
			b.ReportMetric(middle(row.got[overFloor]), c.name+"/floor")
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
	fmt.Fprintln(&table, "# what a clip costs: processor time with one thread a network, its multiples of the least it can cost, memory; `make bench` writes this")
	for _, c := range costClips {
		if row := rows[c.name]; row != nil {
			row.write(&table)
		}
	}
	if err := os.WriteFile(*costTable, []byte(table.String()), 0o644); err != nil {
		b.Fatal(err)
	}
}

// costRow is what the rounds said of a clip.
type costRow struct {
	clip                               costClip
	path                               string
	pictures, inSwings, looked, swings int
	names                              []string             // of stages
	cpu, wall                          map[string][]float64 // of a stage, ms
	got                                map[costLine][]float64
	alone                              []alone
}

// costLine is a line of the table that is a multiple.
type costLine string

const (
	overFloor   costLine = "over decoding once and the pose network once a picture of the swings"
	overNets    costLine = "over that with the depth and the bat network once a picture"
	overLoop    costLine = "every picture read and its pose found in OpenCV, over ours"
	overLoopOrt costLine = "the same with the pose found in ONNX Runtime, over ours"
	overDecode  costLine = "finding the swings, over decoding once"
)

func (r *costRow) measure(b *testing.B) {
	m := &meter{b: b}
	windows := ours(m, r.path)
	o := bound(b, r.path, windows)
	if r.cpu == nil {
		r.cpu, r.wall, r.got = map[string][]float64{}, map[string][]float64{}, map[costLine][]float64{}
		for _, s := range m.stages {
			r.names = append(r.names, s.name)
		}
	}
	r.pictures, r.inSwings, r.swings, r.looked = o.pictures, o.inSwings, len(windows), 0
	for _, w := range windows {
		r.looked += len(w.look)
	}
	ms := func(t time.Duration) float64 { return t.Seconds() * 1000 }
	for _, s := range append(m.stages, stage{name: "all", cpu: m.cpu()}, stage{name: "decoding", cpu: o.decode}, stage{name: "least", cpu: o.floor}) {
		r.cpu[s.name], r.wall[s.name] = append(r.cpu[s.name], ms(s.cpu)), append(r.wall[s.name], ms(s.wall))
	}
	for line, v := range map[costLine]float64{
		overFloor:   ms(m.cpu()) / ms(o.floor),
		overNets:    ms(m.cpu()) / ms(o.nets),
		overLoop:    ms(o.loop) / ms(m.cpu()),
		overLoopOrt: ms(o.loopOrt) / ms(m.cpu()),
		overDecode:  ms(m.cpu("survey", "swings found")) / ms(o.decode),
	} {
		r.got[line] = append(r.got[line], v)
	}
	r.alone = append(r.alone, startAlone(b, r.path)())
}

func (r *costRow) write(w io.Writer) {
	fmt.Fprintf(w, "\n%s: %s\n%d pictures, %d of them in %d %s, of which %d are looked at\n",
		r.clip.name, r.clip.what, r.pictures, r.inSwings, r.swings, plural(r.swings, "swing", "swings"), r.looked)
	for _, line := range []costLine{overFloor, overNets, overLoop, overLoopOrt, overDecode} {
		fmt.Fprintf(w, "  %-69s %s\n", line, spread(r.got[line], "%.2f"))
	}
	var cpu, wall, memory []float64
	for _, a := range r.alone {
		cpu, wall, memory = append(cpu, a.cpu), append(wall, a.wall), append(memory, a.memory)
	}
	fmt.Fprintf(w, "  in a process of its own: most memory held, MB %s\n", spread(memory, "%.0f"))
	fmt.Fprintf(w, "    processor time, s %s; wall, s %s\n", spread(cpu, "%.1f"), spread(wall, "%.1f"))
	if r.inSwings < r.pictures {
		each := (middle(r.cpu["survey"]) + middle(r.cpu["swings found"])) / float64(r.pictures)
		fmt.Fprintf(w, "  a picture outside the swings: %.2f ms, of which decoding is %.2f\n", each, middle(r.cpu["decoding"])/float64(r.pictures))
	}
	fmt.Fprintf(w, "  stage                processor     wall\n")
	for _, n := range r.names {
		fmt.Fprintf(w, "    %-18s %7.0f ms %5.0f ms\n", n, middle(r.cpu[n]), middle(r.wall[n]))
	}
	for _, n := range []string{"all", "decoding", "least"} {
		fmt.Fprintf(w, "    %-18s %7.0f ms\n", n, middle(r.cpu[n]))
	}
}

// spread is the median with the smallest and the largest.
func spread(x []float64, format string) string {
	return fmt.Sprintf(format+" ("+format+" to "+format+")", middle(x), slices.Min(x), slices.Max(x))
}

// middle is the median; it leaves x as it is.
func middle(x []float64) float64 { return median(slices.Clone(x)) }
