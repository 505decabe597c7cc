package room

import (
	"encoding/binary"
	"fmt"
	"net/http"
	"strconv"
)

// frames sends the pictures of the reel that a frame is in: for each its length in
// four bytes, most significant first, 0 for one that did not decode, and its JPEG.
// Frame-Index says which frame the first is.
func (rm *Room) frames(w http.ResponseWriter, r *http.Request) error {
	reel, err := rm.reel(r)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/jpeg-reel")
	w.Header().Set("Frame-Index", strconv.Itoa(reel.key.first))
	for _, j := range reel.jpegs {
		if _, err = w.Write(binary.BigEndian.AppendUint32(nil, uint32(len(j)))); err == nil {
			_, err = w.Write(j)
		}
		if err != nil {
			return nil // the browser went away
		}
	}
	return nil
}

// frame sends one picture.
func (rm *Room) frame(w http.ResponseWriter, r *http.Request) error {
	reel, err := rm.reel(r)
	if err != nil {
		return err
	}
	i, _ := strconv.Atoi(r.PathValue("frame"))
	j := reel.jpegs[i-reel.key.first]
	if j == nil {
		return fmt.Errorf("%w: picture %d did not decode", errNotFound, i)
	}
	w.Header().Set("Content-Type", "image/jpeg")
	_, err = w.Write(j)
	return err
}

// reel finds the pictures around the frame that a request names.
func (rm *Room) reel(r *http.Request) (*reel, error) {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return nil, err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return nil, err
	}
	i, err := strconv.Atoi(r.PathValue("frame"))
	if err != nil || i < 0 || i >= len(st.Track.Clip.Times) {
		return nil, fmt.Errorf("%w: picture %q", errNotFound, r.PathValue("frame"))
	}
	path, err := rm.clipPath(r.Context(), s.JobID, st.Track.Clip.SHA256)
	if err != nil {
		return nil, err
	}
	return rm.film.reel(r.Context(), path, st.Track.Clip, i)
}
