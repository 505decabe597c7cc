package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"nightcage/worker"
)

func TestStatusOfAnEmptyHome(t *testing.T) {
	home := t.TempDir()
	out, code := nightcage(t, "status", "--home", home)
	if code != exitOK || !strings.Contains(out, "nothing waits") || !strings.Contains(out, "no finish time: nothing is left to do") {
		t.Errorf("%d\n%s", code, out)
	}
	out, _ = nightcage(t, "status", "--home", home, "--json")
	var r statusReport
	if err := json.Unmarshal([]byte(out), &r); err != nil || r.Finish.Why == "" || !r.Finish.At.IsZero() {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestStatusTellsTheSpread(t *testing.T) {
	at := time.Date(2026, 4, 8, 3, 40, 0, 0, time.Local)
	r := statusReport{Tally: worker.Tally{Count: map[worker.State]int{worker.StateQueued: 36, worker.StateRunning: 1}, Oldest: at},
		OldestAgeS: 5400, WorkerPID: 77, Finish: worker.Forecast{Open: 37, Slots: 2, Sample: 52, At: at, Low95: at.Add(-15 * time.Minute), High95: at.Add(18 * time.Minute)}}
	var out bytes.Buffer
	if err := r.print(&out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"submitted 1h30m0s ago", "process 77",
		"done about Wed 03:40 (19 times in 20 between Wed 03:25 and Wed 03:58), if the 37 clips ahead are like the last 52 and 2 slots stay at work"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}
