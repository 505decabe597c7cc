package clip

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"nightcage/vision"
)

// Why a clip's sound cannot be had. None is a fault of the clip as a whole.
var (
	ErrNoSound  = errors.New("the file has no sound track")
	ErrBadSound = errors.New("the sound track cannot be decoded")
	ErrNoFFmpeg = errors.New("ffmpeg is not installed")
)

// SoundRate is the rate that sound is read at, samples per second.
const SoundRate = 48000

// MaxSound is the longest stretch of sound read at once.
const MaxSound = time.Minute

// soundDeadline bounds one reading, which decodes the file's sound from its
// start: a second or two for MaxDuration of it.
const soundDeadline = 30 * time.Second

// PCM is a stretch of a clip's sound, mixed down to one channel.
type PCM struct {
	FirstMs float64 // presentation time of the first sample, as vision.FrameTime.PTSMs counts
	Samples []int16 // SoundRate a second
}

// Sound reads the sound of the clip c at path between two presentation times,
// as vision.FrameTime.PTSMs counts them; the stretch ends sooner where the sound
// does. Sound and pictures are placed by the container's own times (start
// offsets, edit lists, encoder delay); where it has none for a while, there is
// silence.
//
// Errors, wrapped: ErrNoSound, ErrBadSound, ErrNoFFmpeg, or ctx's.
func Sound(ctx context.Context, c vision.Clip, path string, fromMs, toMs float64) (PCM, error) {
	fail := func(err error) (PCM, error) { return PCM{}, fmt.Errorf("listen to clip %s: %w", c.Name, err) }
	if !(toMs > fromMs) || toMs-fromMs > float64(MaxSound.Milliseconds()) {
		return fail(fmt.Errorf("%w: %.0f to %.0f ms asked for", ErrBadSound, fromMs, toMs))
	}
	exe, err := exec.LookPath("ffmpeg")
	if err != nil {
		return fail(fmt.Errorf("%w: %w", ErrNoFFmpeg, err))
	}
	full, err := filepath.Abs(path)
	if err != nil {
		return fail(err)
	}
	first := int64(math.Round((c.FirstPTSMs + fromMs) * SoundRate / 1000))
	last := int64(math.Round((c.FirstPTSMs + toMs) * SoundRate / 1000))
	within, cancel := context.WithTimeout(ctx, soundDeadline)
	defer cancel()
	cmd := exec.CommandContext(within, exe, "-nostdin", "-v", "error", "-threads", "1",
		"-protocol_whitelist", "file", "-format_whitelist", containers,
		// The container's own times, or ffmpeg counts from the earliest stream.
		"-copyts", "-vn", "-sn", "-dn", "-i", "file:"+full, "-map", "0:a:0", "-ac", "1",
		// async fills and trims so that sample n is at n/SoundRate; by default it
		// lets the sound slip by up to 100 ms first. It counts first_pts at the rate
		// it is given, hence the change of rate before it.
		"-af", fmt.Sprintf("aresample=%d,aresample=async=1:min_hard_comp=0.005:first_pts=%d,atrim=end_pts=%d", SoundRate, first, last),
		"-f", "s16le", "pipe:1")
	out, complaint := &bounded{max: 2 * int(last-first)}, &bounded{max: 64 << 10}
	cmd.Stdout, cmd.Stderr = out, complaint
	cmd.Env = []string{"LC_ALL=C"}
	for _, k := range []string{"PATH", "LD_LIBRARY_PATH"} {
		if v, ok := os.LookupEnv(k); ok {
			cmd.Env = append(cmd.Env, k+"="+v)
		}
	}
	cmd.WaitDelay = 2 * time.Second
	err = cmd.Run()
	words := strings.TrimSpace(complaint.kept.String())
	switch {
	case ctx.Err() != nil:
		return fail(ctx.Err())
	case within.Err() != nil:
		return fail(fmt.Errorf("%w within %v", ErrBadSound, soundDeadline))
	case strings.Contains(words, "matches no streams"):
		return fail(ErrNoSound)
	case err != nil:
		return fail(fmt.Errorf("%w: %w: %s", ErrBadSound, err, words))
	}
	b := out.kept.Bytes()
	p := PCM{FirstMs: fromMs, Samples: make([]int16, len(b)/2)}
	for i := range p.Samples {
		p.Samples[i] = int16(binary.LittleEndian.Uint16(b[2*i:]))
	}
	if len(p.Samples) == 0 {
		return fail(fmt.Errorf("%w: it holds nothing between %.0f and %.0f ms", ErrNoSound, fromMs, toMs))
	}
	return p, nil
}
