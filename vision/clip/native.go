package clip

/*
#ifdef __GLIBC__
#include <malloc.h>
#endif

void nightcage_opencv_one_thread(void);

// Before main, so that it comes before the first big allocation.
__attribute__((constructor)) static void nightcage_native(void) {
#ifdef __GLIBC__
	// OpenCV takes and gives back pictures and pyramids of megabytes in every
	// call. By default glibc returns each to the system and faults it in again,
	// which on some threads made point tracking and corner finding two times
	// slower (9.5 against 21 ms of CPU for the corners of a 1280x720 picture).
	// Both are needed: the first keeps blocks up to 32 MiB (the most glibc
	// allows) out of mmap, the second keeps the heap from shrinking after each.
	// Setting either also stops glibc from adapting them.
	mallopt(M_MMAP_THRESHOLD, 32 << 20);
	mallopt(M_TRIM_THRESHOLD, 512 << 20);
#endif
	nightcage_opencv_one_thread();
}
*/
import "C"
