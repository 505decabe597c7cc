#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libswscale/swscale.h>

// decoder reads the pictures of one file's first video.
typedef struct {
	AVFormatContext *file;
	AVStream *stream;
	AVCodecContext *codec;
	AVPacket *packet;
	AVFrame *picture; // decoded last
	struct SwsContext *colour;
} decoder;

decoder *nightcage_open(const char *path, int *error);
void nightcage_close(decoder *d);
int nightcage_decode(decoder *d);
double nightcage_ms(const decoder *d);
int nightcage_seek(decoder *d, double ms);
int nightcage_bgr(decoder *d, uint8_t *to, int stride);
int nightcage_blocks(const decoder *d, int x0, int y0, int w, int h, int k, int gray, uint8_t *to);
