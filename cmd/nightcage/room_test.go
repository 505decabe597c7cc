package main

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"regexp"
	"testing"
	"time"
)

// The command prints where it is open, answers there, and ends when it is told to.
func TestRoomOpensAndEnds(t *testing.T) {
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	in, out := io.Pipe()
	root := newRootCommand()
	root.SetArgs([]string{"room", "--home", t.TempDir(), "--addr", "127.0.0.1:0"})
	root.SetOut(out)
	root.SetErr(io.Discard)
	ended := make(chan error, 1)
	go func() { ended <- root.ExecuteContext(ctx) }()
	line, err := bufio.NewReader(in).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	at := regexp.MustCompile(`http://\S+`).FindString(line)
	answer, err := http.Get(at)
	if err != nil {
		t.Fatalf("%q: %v", line, err)
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		t.Errorf("%s: %s", at, answer.Status)
	}
	stop()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(20 * time.Second):
		t.Error("did not end")
	}
}
