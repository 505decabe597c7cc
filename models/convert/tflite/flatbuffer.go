package tflite

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// ErrCorrupt is wrapped by every error that comes from bytes that are not a
// well-formed flatbuffer.
var ErrCorrupt = errors.New("corrupt flatbuffer")

// table is one flatbuffer table: buf from the file's start, pos of its vtable
// offset. Reading past the buffer panics with a runtime error that Parse turns
// into ErrCorrupt: the format is all offsets, and checking each one where it
// is followed would hide what the reader does.
type table struct {
	buf []byte
	pos uint32
}

func rootTable(buf []byte) table {
	return table{buf, binary.LittleEndian.Uint32(buf)}
}

// field gives the absolute position of the slot-th field, or false when the
// writer left it at its default.
func (t table) field(slot int) (uint32, bool) {
	vt := uint32(int64(t.pos) - int64(int32(binary.LittleEndian.Uint32(t.buf[t.pos:]))))
	size := uint32(binary.LittleEndian.Uint16(t.buf[vt:]))
	at := uint32(4 + 2*slot)
	if at+2 > size {
		return 0, false
	}
	off := binary.LittleEndian.Uint16(t.buf[vt+at:])
	if off == 0 {
		return 0, false
	}
	return t.pos + uint32(off), true
}

func (t table) int8(slot int, def int8) int8 {
	if p, ok := t.field(slot); ok {
		return int8(t.buf[p])
	}
	return def
}

func (t table) int32(slot int, def int32) int32 {
	if p, ok := t.field(slot); ok {
		return int32(binary.LittleEndian.Uint32(t.buf[p:]))
	}
	return def
}

func (t table) sub(slot int) (table, bool) {
	p, ok := t.field(slot)
	if !ok {
		return table{}, false
	}
	return table{t.buf, p + binary.LittleEndian.Uint32(t.buf[p:])}, true
}

// vector gives the position of a vector's first element and its length.
func (t table) vector(slot int) (pos uint32, n int) {
	p, ok := t.field(slot)
	if !ok {
		return 0, 0
	}
	p += binary.LittleEndian.Uint32(t.buf[p:])
	n = int(binary.LittleEndian.Uint32(t.buf[p:]))
	if n > len(t.buf) {
		panic(fmt.Errorf("%w: vector of %d elements", ErrCorrupt, n))
	}
	return p + 4, n
}

func (t table) tables(slot int) []table {
	p, n := t.vector(slot)
	out := make([]table, n)
	for i := range out {
		at := p + uint32(4*i)
		out[i] = table{t.buf, at + binary.LittleEndian.Uint32(t.buf[at:])}
	}
	return out
}

func (t table) bytes(slot int) []byte {
	p, n := t.vector(slot)
	return t.buf[p : p+uint32(n)]
}

func (t table) int32s(slot int) []int32 {
	p, n := t.vector(slot)
	out := make([]int32, n)
	for i := range out {
		out[i] = int32(binary.LittleEndian.Uint32(t.buf[p+uint32(4*i):]))
	}
	return out
}

func (t table) uint16s(slot int) []int32 {
	p, n := t.vector(slot)
	out := make([]int32, n)
	for i := range out {
		out[i] = int32(binary.LittleEndian.Uint16(t.buf[p+uint32(2*i):]))
	}
	return out
}

func (t table) uint8s(slot int) []int32 {
	raw := t.bytes(slot)
	out := make([]int32, len(raw))
	for i, b := range raw {
		out[i] = int32(b)
	}
	return out
}

// HalfToFloat converts IEEE 754 binary16 to binary32, exactly.
func HalfToFloat(h uint16) float32 {
	sign := uint32(h>>15) << 31
	exp := uint32(h >> 10 & 0x1f)
	man := uint32(h & 0x3ff)
	switch {
	case exp == 0x1f:
		return math.Float32frombits(sign | 0xff<<23 | man<<13)
	case exp != 0:
		return math.Float32frombits(sign | (exp+112)<<23 | man<<13)
	case man == 0:
		return math.Float32frombits(sign)
	}
	f := float32(man) / (1 << 24)
	if sign != 0 {
		f = -f
	}
	return f
}
