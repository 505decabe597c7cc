// Pictures averaged down straight from the decoder's planes: several times
// cheaper than turning every point into BGR first.

#include <string.h>
#include <libavutil/mem.h>
#include <libavutil/pixdesc.h>
#include "decode.h"

// Adds n points of a row to the sums.
static void add_row(uint16_t *restrict sums, const void *row, int n, int wide) {
	if (wide) {
		const uint16_t *p = row;
		for (int x = 0; x < n; x++)
			sums[x] += p[x];
	} else {
		const uint8_t *p = row;
		for (int x = 0; x < n; x++)
			sums[x] += p[x];
	}
}

// Sums k neighbours for each block. Inlined where k is known, it becomes a few
// instructions for many blocks at a time.
static inline void across(const uint16_t *restrict sums, int blocks, int k, float scale, float *restrict to) {
	for (int b = 0; b < blocks; b++) {
		uint32_t sum = 0;
		for (int i = 0; i < k; i++)
			sum += sums[b * k + i];
		to[b] = (float)(int32_t)sum * scale;
	}
}

// Averages the k x k blocks of one row of blocks of a plane, of whose points each
// covers 1 << sx by 1 << sy points of the picture. x0, y0 is the first block's
// corner, points of the picture. Levels come as of 8 bits.
static void average(const AVFrame *f, const AVComponentDescriptor *c, int sx, int sy,
		int x0, int y0, int blocks, int k, uint16_t *restrict sums, float *restrict to) {
	if (sx == 1 && sy == 1 && !((x0 | y0 | k) & 1)) {
		// Whole points of the plane to a block.
		x0 /= 2, y0 /= 2, k /= 2;
		sx = sy = 0;
	}
	int wide = c->depth > 8, first = x0 >> sx, n = ((x0 + blocks * k - 1) >> sx) - first + 1;
	memset(sums, 0, n * sizeof *sums);
	for (int y = y0; y < y0 + k; y++)
		add_row(sums, f->data[c->plane] + (ptrdiff_t)(y >> sy) * f->linesize[c->plane] + (first << wide), n, wide);
	float scale = 1.f / ((float)(k * k) * (1 << (c->depth - 8)));
	switch (sx ? 0 : k) {
	case 1: across(sums, blocks, 1, scale, to); return;
	case 2: across(sums, blocks, 2, scale, to); return;
	case 3: across(sums, blocks, 3, scale, to); return;
	case 4: across(sums, blocks, 4, scale, to); return;
	}
	for (int b = 0, x = x0; b < blocks; b++) {
		uint32_t sum = 0;
		for (int end = x + k; x < end; x++)
			sum += sums[(x >> sx) - first];
		to[b] = (float)sum * scale;
	}
}

// Writes n levels y1*y + u1*u + v1*v + add, cut off at 0 and 255.
static void levels(const float *y, float y1, const float *u, float u1, const float *v, float v1, float add,
		int n, uint8_t *restrict to) {
	for (int x = 0; x < n; x++) {
		float s = y[x] * y1 + u[x] * u1 + v[x] * v1 + add;
		s = s > 0 ? s : 0;
		to[x] = (uint8_t)(int)(s < 255 ? s : 255);
	}
}

// Whether the planes hold 8 to 16 bits a point as Y, Cb and Cr, so that the sums fit.
static int planes(const AVPixFmtDescriptor *d, int k) {
	if (!d || d->nb_components != 3 || !(d->flags & AV_PIX_FMT_FLAG_PLANAR) ||
			d->flags & (AV_PIX_FMT_FLAG_RGB | AV_PIX_FMT_FLAG_BE | AV_PIX_FMT_FLAG_HWACCEL))
		return 0;
	for (int i = 0; i < 3; i++) {
		const AVComponentDescriptor *c = &d->comp[i];
		if (c->depth < 8 || c->shift || c->offset || c->step != (c->depth > 8 ? 2 : 1) || (int64_t)k << c->depth > 1 << 16)
			return 0;
	}
	return 1;
}

// Writes w x h blocks of k x k points of the picture decoded last, from x0, y0 on,
// as BGR or gray: 1, or 0 when its planes are of another sort. ITU-R BT.601, as
// libswscale takes all pictures to be.
int nightcage_blocks(const decoder *d, int x0, int y0, int w, int h, int k, int gray, uint8_t *to) {
	const AVFrame *f = d->picture;
	const AVPixFmtDescriptor *s = av_pix_fmt_desc_get(f->format);
	if (!planes(s, k))
		return 0;
	int full = f->format == AV_PIX_FMT_YUVJ420P || f->format == AV_PIX_FMT_YUVJ422P || f->format == AV_PIX_FMT_YUVJ444P;
	float black = full ? 0 : 16, y1 = full ? 1 : 255.f / 219, c1 = full ? 1 : 255.f / 224;
	float vr = 1.402f * c1, vg = -.714136f * c1, ug = -.344136f * c1, ub = 1.772f * c1;
	uint16_t *sums = av_malloc_array(w * k + 1, sizeof *sums);
	float *y = av_malloc_array(3 * w, sizeof *y), *u = y + w, *v = u + w;
	uint8_t *rows = av_malloc_array(w, 3);
	int ok = sums && y && rows;
	for (int row = 0; ok && row < h; row++) {
		int top = y0 + row * k;
		average(f, &s->comp[0], 0, 0, x0, top, w, k, sums, y);
		if (gray) {
			levels(y, y1, y, 0, y, 0, .5f - black * y1, w, to);
			to += w;
			continue;
		}
		average(f, &s->comp[1], s->log2_chroma_w, s->log2_chroma_h, x0, top, w, k, sums, u);
		average(f, &s->comp[2], s->log2_chroma_w, s->log2_chroma_h, x0, top, w, k, sums, v);
		levels(y, y1, u, ub, v, 0, .5f - black * y1 - 128 * ub, w, rows);
		levels(y, y1, u, ug, v, vg, .5f - black * y1 - 128 * (ug + vg), w, rows + w);
		levels(y, y1, u, 0, v, vr, .5f - black * y1 - 128 * vr, w, rows + 2 * w);
		for (int x = 0; x < w; x++, to += 3) {
			to[0] = rows[x];
			to[1] = rows[w + x];
			to[2] = rows[2 * w + x];
		}
	}
	av_free(sums);
	av_free(y);
	av_free(rows);
	return ok;
}
