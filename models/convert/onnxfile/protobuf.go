package onnxfile

import "encoding/binary"

// message collects one protobuf message's bytes.
type message []byte

const (
	wireVarint = 0
	wireBytes  = 2
)

func (m *message) key(field, wire int) { *m = binary.AppendUvarint(*m, uint64(field<<3|wire)) }

func (m *message) int(field int, v int64) {
	m.key(field, wireVarint)
	*m = binary.AppendUvarint(*m, uint64(v))
}

func (m *message) bytes(field int, b []byte) {
	m.key(field, wireBytes)
	*m = binary.AppendUvarint(*m, uint64(len(b)))
	*m = append(*m, b...)
}

func (m *message) string(field int, s string) { m.bytes(field, []byte(s)) }
