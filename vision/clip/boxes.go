package clip

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"strconv"
)

// Bounds on what is read of a file's boxes.
const (
	maxBoxes    = 1 << 16 // headers looked at; a phone's clip has some 200, half an hour in fragments 25,000
	maxTags     = 256
	maxTagBytes = 256 // of a key or a value; those wanted are numbers
)

// index is what an ISO base media file's own index says that ffprobe does not
// show (the camera's notes on the video track), or shows only after giving every
// picture promised a place in memory (their number).
type index struct {
	tags     map[string]string // by QuickTime metadata key; numbers as decimal text
	pictures int64             // promised by the first video track
	samples  int64             // promised by all tracks and fragments, as often as edit lists show them
}

// box is a stretch of the file: the contents of one box.
type box struct {
	kind     string
	from, to int64
}

type boxReader struct {
	r    io.ReaderAt
	left int // boxes that may still be looked at
}

var errBoxes = errors.New("the boxes make no sense")

// readIndex reads the index of an ISO base media or QuickTime file (ISO/IEC
// 14496-12; keys and values as in Apple's QuickTime File Format Specification,
// "Metadata"). It reads headers and the few tables it needs, never more than
// maxBoxes of them, whatever their sizes claim. A file of another sort has an
// empty index; of one that is damaged, what came before the damage is returned.
func readIndex(r io.ReaderAt, size int64) index {
	x := index{tags: map[string]string{}}
	b := &boxReader{r: r, left: maxBoxes}
	_ = b.each(box{from: 0, to: size}, func(top box) error {
		if top.kind == "moof" {
			return b.fragment(top, &x)
		}
		if top.kind != "moov" {
			return nil
		}
		return b.each(top, func(c box) error {
			switch c.kind {
			case "trak":
				return b.track(c, &x)
			case "meta":
				return b.meta(c, x.tags)
			case "udta":
				return b.each(c, func(u box) error {
					if u.kind == "meta" {
						return b.meta(u, x.tags)
					}
					return nil
				})
			}
			return nil
		})
	})
	return x
}

// each calls visit for the boxes inside in.
func (b *boxReader) each(in box, visit func(box) error) error {
	for at := in.from; in.to-at >= 8; {
		if b.left--; b.left < 0 {
			return errBoxes
		}
		var h [16]byte
		if err := b.at(h[:8], at); err != nil {
			return err
		}
		size, head := int64(binary.BigEndian.Uint32(h[:])), int64(8)
		switch size {
		case 0: // to the end
			size = in.to - at
		case 1:
			if err := b.at(h[8:], at+8); err != nil {
				return err
			}
			long := binary.BigEndian.Uint64(h[8:])
			if long > math.MaxInt64 {
				return errBoxes
			}
			size, head = int64(long), 16
		}
		if size < head || size > in.to-at {
			return errBoxes
		}
		if err := visit(box{string(h[4:8]), at + head, at + size}); err != nil {
			return err
		}
		at += size
	}
	return nil
}

func (b *boxReader) at(to []byte, at int64) error {
	if n, err := b.r.ReadAt(to, at); n < len(to) {
		return err
	}
	return nil
}

// word is the big-endian 32-bit number at an offset into a box.
func (b *boxReader) word(of box, offset int64) (int64, error) {
	var w [4]byte
	if of.to-of.from < offset+4 {
		return 0, errBoxes
	}
	err := b.at(w[:], of.from+offset)
	return int64(binary.BigEndian.Uint32(w[:])), err
}

// find calls visit for the boxes reached from in by a path of kinds.
func (b *boxReader) find(in box, path []string, visit func(box) error) error {
	return b.each(in, func(c box) error {
		switch {
		case c.kind != path[0]:
			return nil
		case len(path) == 1:
			return visit(c)
		}
		return b.find(c, path[1:], visit)
	})
}

// track reads a track's number of samples and, of the first video track, its
// tags.
func (b *boxReader) track(trak box, x *index) error {
	video, samples, edits := false, int64(0), int64(1)
	err := errors.Join(
		b.find(trak, []string{"mdia", "hdlr"}, func(h box) error {
			kind, err := b.word(h, 8) // after version, flags and a type
			video = video || kind == 'v'<<24|'i'<<16|'d'<<8|'e'
			return err
		}),
		b.find(trak, []string{"mdia", "minf", "stbl", "stsz"}, func(s box) (err error) {
			samples, err = b.word(s, 8) // after version, flags and a common size
			return err
		}),
		b.find(trak, []string{"edts", "elst"}, func(l box) (err error) {
			edits, err = b.word(l, 4)
			return err
		}))
	x.samples += samples * min(max(edits, 1), 1<<20)
	if !video || x.pictures > 0 {
		return err
	}
	x.pictures = samples
	return errors.Join(err, b.find(trak, []string{"meta"}, func(m box) error { return b.meta(m, x.tags) }))
}

// fragment adds the samples that a movie fragment promises.
func (b *boxReader) fragment(moof box, x *index) error {
	return b.find(moof, []string{"traf", "trun"}, func(run box) error {
		n, err := b.word(run, 4)
		x.samples += n
		return err
	})
}

// meta reads keys and values. A key met before keeps its value.
func (b *boxReader) meta(m box, tags map[string]string) error {
	// QuickTime's box holds boxes; ISO's has a version before them.
	var h [8]byte
	if err := b.at(h[:], m.from); err != nil {
		return err
	}
	if string(h[4:]) != "hdlr" {
		m.from += 4
	}
	var keys []string
	return b.each(m, func(c box) (err error) {
		switch c.kind {
		case "keys":
			keys, err = b.keys(c)
		case "ilst":
			return b.each(c, func(item box) error {
				n := binary.BigEndian.Uint32([]byte(item.kind))
				if n == 0 || int64(n) > int64(len(keys)) || len(tags) >= maxTags {
					return nil
				}
				return b.each(item, func(d box) error {
					if _, met := tags[keys[n-1]]; met || d.kind != "data" {
						return nil
					}
					text, ok, err := b.value(d)
					if ok {
						tags[keys[n-1]] = text
					}
					return err
				})
			})
		}
		return err
	})
}

func (b *boxReader) keys(c box) ([]string, error) {
	var out []string
	c.from += 8 // version, flags, count
	err := b.each(c, func(k box) error {
		name := make([]byte, min(k.to-k.from, maxTagBytes))
		if len(out) == maxTags {
			return nil
		}
		if err := b.at(name, k.from); err != nil {
			return err
		}
		out = append(out, string(name))
		return nil
	})
	return out, err
}

// value reads a data box as text, by its type ("Well-Known Types" of the
// QuickTime specification); ok is false for types that hold no text or number.
func (b *boxReader) value(d box) (text string, ok bool, err error) {
	var h [8]byte // type, locale
	if err := b.at(h[:], d.from); err != nil {
		return "", false, err
	}
	n := d.to - d.from - 8
	if n < 0 || n > maxTagBytes {
		return "", false, nil
	}
	v := make([]byte, n)
	if err := b.at(v, d.from+8); err != nil {
		return "", false, err
	}
	switch kind := binary.BigEndian.Uint32(h[:]); {
	case kind == 1: // UTF-8
		return string(v), true, nil
	case kind == 23 && n == 4:
		return strconv.FormatFloat(float64(math.Float32frombits(binary.BigEndian.Uint32(v))), 'g', -1, 32), true, nil
	case kind == 24 && n == 8:
		return strconv.FormatFloat(math.Float64frombits(binary.BigEndian.Uint64(v)), 'g', -1, 64), true, nil
	case n >= 1 && n <= 8 && (kind == 21 || kind >= 65 && kind <= 67 || kind == 74):
		return strconv.FormatInt(signed(v), 10), true, nil
	case n >= 1 && n <= 8 && (kind == 22 || kind >= 75 && kind <= 78):
		var u uint64
		for _, c := range v {
			u = u<<8 | uint64(c)
		}
		return strconv.FormatUint(u, 10), true, nil
	}
	return "", false, nil
}

// signed reads a big-endian two's complement number of one to eight bytes.
func signed(v []byte) int64 {
	n := int64(int8(v[0]))
	for _, c := range v[1:] {
		n = n<<8 | int64(c)
	}
	return n
}
