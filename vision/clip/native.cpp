#include <opencv2/core.hpp>

// OpenCV's own threads would compete with the clip analysed beside this one.
extern "C" void nightcage_opencv_one_thread(void) { cv::setNumThreads(1); }
