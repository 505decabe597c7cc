package onnxfile

import (
	"bytes"
	"testing"
)

// The two worked examples of the Protocol Buffers encoding guide: field 1
// holding 150, and field 2 holding "testing".
func TestWireFormat(t *testing.T) {
	var m message
	m.int(1, 150)
	m.string(2, "testing")
	want := []byte{0x08, 0x96, 0x01, 0x12, 0x07, 0x74, 0x65, 0x73, 0x74, 0x69, 0x6e, 0x67}
	if !bytes.Equal(m, want) {
		t.Errorf("got % x, want % x", []byte(m), want)
	}
	// the guide: -2 as an int64 takes ten bytes, fe ff .. ff 01
	var neg message
	neg.int(1, -2)
	if len(neg) != 11 || neg[1] != 0xfe || neg[10] != 0x01 {
		t.Errorf("-2 encodes as % x", []byte(neg))
	}
}
