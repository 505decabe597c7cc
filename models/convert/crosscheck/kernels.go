package main

import (
	"fmt"
	"math"
)

// array is a float32 array, row-major, channels last where it has four axes.
type array struct {
	shape []int
	data  []float32
}

func newArray(shape ...int) *array {
	n := 1
	for _, d := range shape {
		n *= d
	}
	return &array{shape, make([]float32, n)}
}

// window is how a kernel moves over a picture.
type window struct {
	same               bool
	strideH, strideW   int
	dilateH, dilateW   int
	top, left          int // set by fit
	outH, outW         int // set by fit
	kernelH, kernelW   int
	pictureH, pictureW int
}

func (w window) fit(x *array, kh, kw int) window {
	w.kernelH, w.kernelW, w.pictureH, w.pictureW = kh, kw, x.shape[1], x.shape[2]
	axis := func(in, k, stride, dilate int) (out, before int) {
		span := (k-1)*dilate + 1
		if !w.same {
			return (in-span)/stride + 1, 0
		}
		out = (in + stride - 1) / stride
		return out, max((out-1)*stride+span-in, 0) / 2
	}
	w.outH, w.top = axis(w.pictureH, kh, w.strideH, w.dilateH)
	w.outW, w.left = axis(w.pictureW, kw, w.strideW, w.dilateW)
	return w
}

// each calls f with every kernel tap that lies inside the picture for the
// output cell (oy, ox).
func (w window) each(oy, ox int, f func(ky, kx, y, x int)) {
	for ky := range w.kernelH {
		y := oy*w.strideH - w.top + ky*w.dilateH
		if y < 0 || y >= w.pictureH {
			continue
		}
		for kx := range w.kernelW {
			x := ox*w.strideW - w.left + kx*w.dilateW
			if x >= 0 && x < w.pictureW {
				f(ky, kx, y, x)
			}
		}
	}
}

// conv is a convolution with weights [kh,kw,in,out]; sums are kept in float64.
func conv(x, weights, bias *array, w window) *array {
	w = w.fit(x, weights.shape[0], weights.shape[1])
	in, out := weights.shape[2], weights.shape[3]
	y := newArray(1, w.outH, w.outW, out)
	sum := make([]float64, out)
	for oy := range w.outH {
		for ox := range w.outW {
			for c := range sum {
				sum[c] = float64(bias.data[c])
			}
			w.each(oy, ox, func(ky, kx, iy, ix int) {
				px := x.data[(iy*w.pictureW+ix)*in:][:in]
				k := weights.data[(ky*w.kernelW+kx)*in*out:]
				for i, v := range px {
					for c, kv := range k[i*out:][:out] {
						sum[c] += float64(v) * float64(kv)
					}
				}
			})
			for c, s := range sum {
				y.data[(oy*w.outW+ox)*out+c] = float32(s)
			}
		}
	}
	return y
}

// depthwise is a convolution of each channel with its own kernel, [kh,kw,channels].
func depthwise(x, weights, bias *array, w window) *array {
	w = w.fit(x, weights.shape[0], weights.shape[1])
	n := x.shape[3]
	y := newArray(1, w.outH, w.outW, n)
	sum := make([]float64, n)
	for oy := range w.outH {
		for ox := range w.outW {
			for c := range sum {
				sum[c] = float64(bias.data[c])
			}
			w.each(oy, ox, func(ky, kx, iy, ix int) {
				px := x.data[(iy*w.pictureW+ix)*n:][:n]
				k := weights.data[(ky*w.kernelW+kx)*n:][:n]
				for c, v := range px {
					sum[c] += float64(v) * float64(k[c])
				}
			})
			for c, s := range sum {
				y.data[(oy*w.outW+ox)*n+c] = float32(s)
			}
		}
	}
	return y
}

func maxPool(x *array, kh, kw int, w window) *array {
	w = w.fit(x, kh, kw)
	n := x.shape[3]
	y := newArray(1, w.outH, w.outW, n)
	for oy := range w.outH {
		for ox := range w.outW {
			cell := y.data[(oy*w.outW+ox)*n:][:n]
			for c := range cell {
				cell[c] = float32(math.Inf(-1))
			}
			w.each(oy, ox, func(_, _, iy, ix int) {
				for c, v := range x.data[(iy*w.pictureW+ix)*n:][:n] {
					cell[c] = max(cell[c], v)
				}
			})
		}
	}
	return y
}

func add(a, b *array) *array {
	y := newArray(a.shape...)
	for i := range y.data {
		y.data[i] = a.data[i] + b.data[i]
	}
	return y
}

func mapped(x *array, f func(float32) float32) *array {
	y := newArray(x.shape...)
	for i, v := range x.data {
		y.data[i] = f(v)
	}
	return y
}

func relu(v float32) float32    { return max(v, 0) }
func relu6(v float32) float32   { return min(max(v, 0), 6) }
func sigmoid(v float32) float32 { return float32(1 / (1 + math.Exp(-float64(v)))) }

// pad adds zeros; rows is (before, after) for each of the four axes.
func pad(x *array, rows []int) *array {
	y := newArray(1, x.shape[1]+rows[2]+rows[3], x.shape[2]+rows[4]+rows[5], x.shape[3]+rows[6]+rows[7])
	n := x.shape[3]
	for i := range x.shape[1] {
		for j := range x.shape[2] {
			to := ((i+rows[2])*y.shape[2]+j+rows[4])*y.shape[3] + rows[6]
			copy(y.data[to:], x.data[(i*x.shape[2]+j)*n:][:n])
		}
	}
	return y
}

// resize is bilinear with half-pixel centres, edges held.
func resize(x *array, h, w int) *array {
	n := x.shape[3]
	y := newArray(1, h, w, n)
	at := func(i, out, in int) (lo, hi int, f float64) {
		s := (float64(i)+0.5)*float64(in)/float64(out) - 0.5
		floor := math.Floor(s)
		return max(int(floor), 0), min(int(floor)+1, in-1), s - floor
	}
	for i := range h {
		y0, y1, fy := at(i, h, x.shape[1])
		for j := range w {
			x0, x1, fx := at(j, w, x.shape[2])
			for c := range n {
				v := func(a, b int) float64 { return float64(x.data[(a*x.shape[2]+b)*n+c]) }
				top := v(y0, x0)*(1-fx) + v(y0, x1)*fx
				bottom := v(y1, x0)*(1-fx) + v(y1, x1)*fx
				y.data[(i*w+j)*n+c] = float32(top*(1-fy) + bottom*fy)
			}
		}
	}
	return y
}

// depthToSpace moves blocks of channels into space: channel (dy*block+dx)*out+c
// of a cell becomes channel c of the cell's pixel (dy, dx).
func depthToSpace(x *array, block int) *array {
	h, w, out := x.shape[1], x.shape[2], x.shape[3]/block/block
	y := newArray(1, h*block, w*block, out)
	for i := range h * block {
		for j := range w * block {
			from := (i/block*w+j/block)*x.shape[3] + (i%block*block+j%block)*out
			copy(y.data[(i*w*block+j)*out:][:out], x.data[from:])
		}
	}
	return y
}

// concatMiddle joins arrays of shape [1,n,c] along n.
func concatMiddle(parts []*array) (*array, error) {
	y := &array{shape: []int{1, 0, parts[0].shape[2]}}
	for _, p := range parts {
		if len(p.shape) != 3 {
			return nil, fmt.Errorf("joining an array of shape %v", p.shape)
		}
		y.shape[1] += p.shape[1]
		y.data = append(y.data, p.data...)
	}
	return y, nil
}
