package main

import (
	"slices"
	"testing"
)

// TensorFlow's documentation of SAME padding (tf.nn, "Notes on padding"):
// out = ceil(in/stride), the extra row at the end.
func TestSamePadding(t *testing.T) {
	for _, c := range []struct {
		name                         string
		in, kernel, stride, dilation int
		before, after                int
	}{
		{"width 13, kernel 6, stride 5: the guide's example", 13, 6, 5, 1, 1, 2},
		{"kernel 3 keeps the size", 64, 3, 1, 1, 1, 1},
		{"halving an even size pads the end only", 64, 3, 2, 1, 0, 1},
		{"kernel 5, stride 2", 64, 5, 2, 1, 1, 2},
		{"dilation widens the kernel", 16, 3, 1, 2, 2, 2},
		{"nothing to pad", 4, 1, 2, 1, 0, 0},
	} {
		before, after := samePadding(c.in, c.kernel, c.stride, c.dilation)
		if before != c.before || after != c.after {
			t.Errorf("%s: (%d, %d), want (%d, %d)", c.name, before, after, c.before, c.after)
		}
	}
}

func TestPermute(t *testing.T) {
	// [2,1,2,3] to [2,3,1,2]: out[a,b,c,d] = in[a,c,d,b]
	shape, data := permute([]int{2, 1, 2, 3}, []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}, 1, []int{0, 3, 1, 2})
	if !slices.Equal(shape, []int{2, 3, 1, 2}) {
		t.Errorf("shape %v", shape)
	}
	if want := []byte{0, 3, 1, 4, 2, 5, 6, 9, 7, 10, 8, 11}; !slices.Equal(data, want) {
		t.Errorf("data %v, want %v", data, want)
	}
}
