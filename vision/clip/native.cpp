#include <opencv2/core.hpp>
#include <opencv2/videoio.hpp>

extern "C" {

// OpenCV's own threads would compete with the clip analysed beside this one.
void nightcage_opencv_one_thread(void) { cv::setNumThreads(1); }

static cv::VideoCapture *capture(void *c) { return static_cast<cv::VideoCapture *>(c); }

void *nightcage_capture_open(const char *path) {
	cv::VideoCapture *c = new cv::VideoCapture(path, cv::CAP_FFMPEG);
	if (!c->isOpened()) {
		delete c;
		return nullptr;
	}
	// OpenCV 4.6 turns quarter turns the wrong way.
	c->set(cv::CAP_PROP_ORIENTATION_AUTO, 0);
	return c;
}

int nightcage_capture_grab(void *c) { return capture(c)->grab(); }

int nightcage_capture_retrieve(void *c, void *mat) {
	cv::Mat &m = *static_cast<cv::Mat *>(mat);
	return capture(c)->retrieve(m) && !m.empty();
}

double nightcage_capture_ms(void *c) { return capture(c)->get(cv::CAP_PROP_POS_MSEC); }

void nightcage_capture_seek(void *c, double ms) { capture(c)->set(cv::CAP_PROP_POS_MSEC, ms); }

void nightcage_capture_close(void *c) { delete capture(c); }
}
