package export

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"nightcage/vision"
)

// TRC writes the joints' paths of a solved swing as a track row column file, in
// millimetres and seconds: the samples of a C3D file, a row each at the clip's capture
// rate. A marker that was not found has empty fields; the format cannot say which are
// interpolated. name is the file's, for its header.
//
// The format is that of the OpenSim documentation, "Marker (.trc) files": five
// head lines, tabs between fields.
//
// Errors: ErrNoClock, ErrNoSolution, and w's.
func TRC(w io.Writer, name string, t vision.Track) error {
	m, err := newMotion(t)
	if err != nil {
		return err
	}
	names := markers()
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "PathFileType\t4\t(X/Y/Z)\t%s\n", name)
	fmt.Fprint(b, "DataRate\tCameraRate\tNumFrames\tNumMarkers\tUnits\tOrigDataRate\tOrigDataStartFrame\tOrigNumFrames\n")
	fmt.Fprintf(b, "%g\t%g\t%d\t%d\tmm\t%g\t%d\t%d\n", m.fps, m.fps, len(m.samples), len(names), m.fps, m.first+1, len(m.samples))
	fmt.Fprintf(b, "Frame#\tTime\t%s\t\t\n\t", strings.Join(names, "\t\t\t"))
	for i := range names {
		fmt.Fprintf(b, "\tX%d\tY%d\tZ%d", i+1, i+1, i+1)
	}
	fmt.Fprint(b, "\n\n")
	for i, sample := range m.samples {
		fmt.Fprintf(b, "%d\t%.6f", i+1, float64(i)/m.fps)
		for _, p := range sample {
			if p.ok {
				fmt.Fprintf(b, "\t%.3f\t%.3f\t%.3f", p.x, p.y, p.z)
			} else {
				fmt.Fprint(b, "\t\t\t")
			}
		}
		fmt.Fprint(b, "\n")
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("write TRC of clip %s: %w", t.Clip.Name, err)
	}
	return nil
}
