package main

import (
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// measure has no network, and is the command that has none.
func TestMeasureIsConfined(t *testing.T) {
	if addr := os.Getenv("NIGHTCAGE_TEST_DIAL"); addr != "" { // the process below
		if err := confine(&cobra.Command{Use: os.Getenv("NIGHTCAGE_TEST_COMMAND")}, nil); err != nil {
			t.Fatal(err)
		}
		if c, err := net.Dial("tcp", addr); err != nil {
			t.Fatal(err)
		} else {
			c.Close()
		}
		return
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for command, free := range map[string]bool{"measure": false, "judge": false, "submit": true} {
		cmd := exec.Command(os.Args[0], "-test.run=^TestMeasureIsConfined$")
		cmd.Env = append(os.Environ(), "NIGHTCAGE_TEST_DIAL="+l.Addr().String(), "NIGHTCAGE_TEST_COMMAND="+command)
		out, err := cmd.CombinedOutput()
		if (err == nil) != free || !free && !strings.Contains(string(out), "operation not permitted") {
			t.Errorf("%s: %v\n%s", command, err, out)
		}
	}
}
