package clip

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// ErrNoFFprobe means that the machine has no ffprobe on its PATH.
var ErrNoFFprobe = errors.New("ffprobe is not installed")

// containers are the demuxers a file may be opened with, by FFmpeg's names.
// Everything else is refused, in particular playlists, which name other files.
const containers = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts"

// maxProbeOutput bounds what is kept of ffprobe's answer: about 110 bytes for
// each of MaxFrames packets, of two videos.
const maxProbeOutput = 26 << 20

// probed is ffprobe's answer, as far as it is used.
type probed struct {
	Index   index    `json:"-"` // what the file's own index says besides
	Streams []stream `json:"streams"`
	Format  struct {
		FormatName string            `json:"format_name"`
		Duration   string            `json:"duration"`
		Tags       map[string]string `json:"tags"`
	} `json:"format"`
	Packets []packet `json:"packets"`
}

// packet is one coded picture.
type packet struct {
	Stream int    `json:"stream_index"`
	PTS    *int64 `json:"pts"` // in time_base units
	Flags  string `json:"flags"`
}

// sideData is a note on a stream; Matrix is set in that on the picture's turn.
type sideData struct {
	Matrix string `json:"displaymatrix"`
}

// stream is one video stream of a file.
type stream struct {
	Index       int               `json:"index"`
	CodecName   string            `json:"codec_name"`
	Width       int               `json:"width"`
	Height      int               `json:"height"`
	PixFmt      string            `json:"pix_fmt"`
	SAR         string            `json:"sample_aspect_ratio"`
	FieldOrder  string            `json:"field_order"`
	Transfer    string            `json:"color_transfer"`
	TimeBase    string            `json:"time_base"`
	NbFrames    string            `json:"nb_frames"`
	Tags        map[string]string `json:"tags"`
	Disposition struct {
		AttachedPic int `json:"attached_pic"`
	} `json:"disposition"`
	SideData []sideData `json:"side_data_list"`
}

// video is the first video stream that is no cover picture; nil without one.
func (p *probed) video() *stream {
	for i := range p.Streams {
		if p.Streams[i].Disposition.AttachedPic == 0 {
			return &p.Streams[i]
		}
	}
	return nil
}

// videos counts the video streams that are no cover pictures.
func (p *probed) videos() int {
	n := 0
	for i := range p.Streams {
		n += 1 - min(p.Streams[i].Disposition.AttachedPic, 1)
	}
	return n
}

// maxPixels is the largest picture that ffprobe decodes to see what it is.
const maxPixels = MaxSidePx * MaxSidePx

// probing is the run of ffprobe on a file: only local files, only containers we
// know, no pictures beyond maxPixels.
func probing(ctx context.Context, exe, path string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, exe, "-v", "error", "-of", "json=compact=1",
		"-protocol_whitelist", "file", "-format_whitelist", containers,
		"-max_pixels", strconv.Itoa(maxPixels), "-select_streams", "v", "-show_format", "-show_streams",
		"-show_entries", "packet=stream_index,pts,flags", "file:"+path)
	cmd.Env = []string{"LC_ALL=C"}
	for _, k := range []string{"PATH", "LD_LIBRARY_PATH"} {
		if v, ok := os.LookupEnv(k); ok {
			cmd.Env = append(cmd.Env, k+"="+v)
		}
	}
	cmd.WaitDelay = 2 * time.Second
	return cmd
}

// runFFprobe asks ffprobe about the video streams and each of their packets.
func runFFprobe(ctx context.Context, path string, deadline time.Duration) (*probed, error) {
	name := filepath.Base(path)
	exe, err := exec.LookPath("ffprobe")
	if err != nil {
		return nil, fmt.Errorf("probe clip %s: %w: %w", name, ErrNoFFprobe, err)
	}
	full, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("probe clip %s: %w", name, err)
	}
	within, cancel := context.WithTimeout(ctx, deadline)
	defer cancel()
	cmd := probing(within, exe, full)
	out, complaint := &bounded{max: maxProbeOutput}, &bounded{max: 64 << 10}
	cmd.Stdout, cmd.Stderr = out, complaint
	err = cmd.Run()
	switch {
	case ctx.Err() != nil:
		return nil, fmt.Errorf("probe clip %s: %w", name, ctx.Err())
	case within.Err() != nil:
		return nil, &Error{Kind: Timeout, Clip: name, Err: within.Err(),
			Reason: fmt.Sprintf("Looking at the file took longer than %v.", deadline)}
	case out.full && bytes.Count(out.kept.Bytes(), []byte(`"pts"`)) < MaxFrames:
		return nil, &Error{Kind: Damaged, Clip: name, Reason: "The file says more about itself than any camera does."}
	case out.full:
		return nil, &Error{Kind: TooLarge, Clip: name, Reason: fmt.Sprintf("The clip has more than %d pictures; cut the swing out of it.", MaxFrames)}
	}
	if err != nil {
		if exit := (*exec.ExitError)(nil); !errors.As(err, &exit) {
			return nil, fmt.Errorf("probe clip %s: %w", name, err)
		}
		return nil, refusal(name, path, complaint.kept.String(), err)
	}
	p, err := parseProbed(out.kept.Bytes())
	if err != nil {
		return nil, fmt.Errorf("probe clip %s: ffprobe's answer: %w", name, err)
	}
	return p, nil
}

func parseProbed(answer []byte) (*probed, error) {
	p := new(probed)
	return p, json.Unmarshal(answer, p)
}

// refusal turns ffprobe's complaint about a file it could not open into an
// *Error.
func refusal(name, path, complaint string, err error) error {
	e := &Error{Clip: name, Err: fmt.Errorf("%w: %s", err, strings.TrimSpace(complaint))}
	switch {
	case strings.Contains(complaint, "not on whitelist"):
		e.Kind, e.Reason = Unsupported, "This kind of file is not a clip from a camera; send the mp4 or mov the camera made."
	case startsLikeVideo(path):
		e.Kind, e.Reason = Truncated, "The file is cut short: the index a camera writes last is missing. Copy it from the camera again."
		if !strings.Contains(complaint, "moov atom not found") && !strings.Contains(complaint, "End of file") {
			e.Kind, e.Reason = Damaged, "The file starts like a video but its index makes no sense. Copy it from the camera again."
		}
	default:
		e.Kind, e.Reason = NotAVideo, "This is not a video file, whatever its name says."
	}
	return e
}

// startsLikeVideo looks at the first bytes for the marks of the containers we
// know: an ISO base media box (ISO/IEC 14496-12: 4-byte size, then the type),
// the EBML mark of Matroska and WebM, a RIFF AVI, or an MPEG transport stream's
// sync bytes every 188.
func startsLikeVideo(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	b := make([]byte, 189)
	n, _ := f.Read(b)
	b = b[:n]
	if len(b) >= 8 {
		switch string(b[4:8]) {
		case "ftyp", "moov", "mdat", "wide", "free", "skip":
			return true
		}
	}
	return bytes.HasPrefix(b, []byte{0x1a, 0x45, 0xdf, 0xa3}) ||
		len(b) >= 12 && string(b[:4]) == "RIFF" && string(b[8:12]) == "AVI " ||
		len(b) == 189 && b[0] == 0x47 && b[188] == 0x47
}

// bounded keeps what is written to it up to max bytes; then it fails the
// write, which ends the child by a broken pipe. It must offer no ReadFrom, by
// which io.Copy would get around the bound.
type bounded struct {
	kept bytes.Buffer
	max  int
	full bool
}

func (b *bounded) Write(p []byte) (int, error) {
	if b.kept.Len()+len(p) > b.max {
		b.full = true
		return 0, errors.New("too much output")
	}
	return b.kept.Write(p)
}
