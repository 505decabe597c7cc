package worker

import (
	"strings"
	"testing"
)

func TestSwingOfUndoesRecordID(t *testing.T) {
	job := strings.Repeat("0a", 16)
	for _, n := range []int{1, 2, 17} {
		if j, k, ok := SwingOf(RecordID(job, n)); j != job || k != n || !ok {
			t.Errorf("swing %d: %s, %d, %v", n, j, k, ok)
		}
	}
	for _, id := range []string{"", job, job + "-", job + "-0", job + "-01", job + "--1", job + "-1-1", job + "-x"} {
		if _, _, ok := SwingOf(id); ok {
			t.Errorf("%q is taken for a swing", id)
		}
	}
}
