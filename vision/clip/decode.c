#include <math.h>
#ifdef __GLIBC__
#include <malloc.h>
#endif
#include <libavutil/log.h>
#include "decode.h"

// Fills d; returns less than 0 for what FFmpeg cannot read.
static int start(decoder *d, const char *path) {
	// Containers as for ffprobe.
	AVDictionary *only = NULL;
	av_dict_set(&only, "protocol_whitelist", "file", 0);
	av_dict_set(&only, "format_whitelist", "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts", 0);
	int e = avformat_open_input(&d->file, path, NULL, &only);
	av_dict_free(&only);
	if (e < 0 || (e = avformat_find_stream_info(d->file, NULL)) < 0)
		return e;
	for (unsigned i = 0; i < d->file->nb_streams; i++) {
		AVStream *s = d->file->streams[i];
		if (!d->stream && s->codecpar->codec_type == AVMEDIA_TYPE_VIDEO)
			d->stream = s;
		else
			s->discard = AVDISCARD_ALL;
	}
	if (!d->stream)
		return AVERROR_STREAM_NOT_FOUND;
	const AVCodec *codec = avcodec_find_decoder(d->stream->codecpar->codec_id);
	if (!codec)
		return AVERROR_DECODER_NOT_FOUND;
	d->codec = avcodec_alloc_context3(codec);
	d->packet = av_packet_alloc();
	d->picture = av_frame_alloc();
	if (!d->codec || !d->packet || !d->picture)
		return AVERROR(ENOMEM);
	if ((e = avcodec_parameters_to_context(d->codec, d->stream->codecpar)) < 0)
		return e;
	d->codec->pkt_timebase = d->stream->time_base;
	// Clips are worked on side by side, and what a damaged stream decodes to must
	// not depend on thread timing.
	d->codec->thread_count = 1;
	return avcodec_open2(d->codec, codec, NULL);
}

decoder *nightcage_open(const char *path, int *error) {
	av_log_set_level(AV_LOG_QUIET);
	decoder *d = av_mallocz(sizeof *d);
	*error = d ? start(d, path) : AVERROR(ENOMEM);
	if (*error >= 0)
		return d;
	nightcage_close(d);
	return NULL;
}

void nightcage_close(decoder *d) {
	if (!d)
		return;
	sws_freeContext(d->colour);
	av_frame_free(&d->picture);
	av_packet_free(&d->packet);
	avcodec_free_context(&d->codec);
	avformat_close_input(&d->file);
	av_free(d);
#ifdef __GLIBC__
	// A decoder of large pictures holds a dozen and more. The next one's may come
	// from another thread's heap: 100 MB of a 4K clip would then be held twice.
	malloc_trim(0);
#endif
}

// Decodes the next picture: 1 when there is one, 0 when a packet was damaged or
// could not be read and the next may do better, -1 at the end.
int nightcage_decode(decoder *d) {
	for (;;) {
		int e = avcodec_receive_frame(d->codec, d->picture);
		if (e >= 0)
			return 1;
		if (e == AVERROR_EOF)
			return -1;
		if (e != AVERROR(EAGAIN))
			return 0;
		e = av_read_frame(d->file, d->packet);
		if (e == AVERROR_EOF) {
			avcodec_send_packet(d->codec, NULL); // what it holds back comes out
			continue;
		}
		if (e < 0)
			return 0;
		e = d->packet->stream_index == d->stream->index ? avcodec_send_packet(d->codec, d->packet) : 0;
		av_packet_unref(d->packet);
		if (e < 0)
			return 0;
	}
}

// When the picture decoded last is shown, on the container's clock; not a number
// when nothing says.
double nightcage_ms(const decoder *d) {
	int64_t t = d->picture->best_effort_timestamp;
	return t == AV_NOPTS_VALUE ? NAN : (double)t * av_q2d(d->stream->time_base) * 1000;
}

// Makes the next picture decoded the key frame at or before ms, about.
int nightcage_seek(decoder *d, double ms) {
	int64_t t = llrint(ms / 1000 / av_q2d(d->stream->time_base));
	int e = av_seek_frame(d->file, d->stream->index, t, AVSEEK_FLAG_BACKWARD);
	avcodec_flush_buffers(d->codec);
	return e >= 0;
}

// Writes the picture decoded last as BGR. Rows may be written to their stride.
int nightcage_bgr(decoder *d, uint8_t *to, int stride) {
	const AVFrame *p = d->picture;
	d->colour = sws_getCachedContext(d->colour, p->width, p->height, p->format,
		p->width, p->height, AV_PIX_FMT_BGR24, SWS_BICUBIC, NULL, NULL, NULL);
	if (!d->colour)
		return 0;
	return sws_scale(d->colour, (const uint8_t *const *)p->data, p->linesize, 0, p->height, &to, &stride) == p->height;
}
