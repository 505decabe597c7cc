package main

import (
	"os"
	"strings"
	"testing"

	"nightcage/worker/access"
)

func TestTokenCommands(t *testing.T) {
	home := t.TempDir()
	t.Setenv("NIGHTCAGE_HOME", home)
	if out, code := nightcage(t, "token", "list"); code != exitOK || out != "no tokens\n" {
		t.Fatalf("empty list: %d %q", code, out)
	}
	out, code := nightcage(t, "token", "add", "dugout tablet", "--scope", "read,submit")
	if code != exitOK {
		t.Fatal(code)
	}
	secret := strings.TrimSpace(out)
	tokens := access.Open(home + "/tokens.json")
	made, err := tokens.Check(secret, access.Submit)
	if err != nil || made.Name != "dugout tablet" {
		t.Fatalf("%+v, %v", made, err)
	}
	if out, _ := nightcage(t, "token", "list"); !strings.Contains(out, made.ID) || !strings.Contains(out, "read, submit") || strings.Contains(out, secret) {
		t.Errorf("list:\n%s", out)
	}
	if out, code := nightcage(t, "token", "revoke", made.ID); code != exitOK || !strings.Contains(out, "revoked") {
		t.Errorf("revoke: %d %q", code, out)
	}
	if _, err := tokens.Check(secret, access.Read); err == nil {
		t.Error("valid after revoke")
	}
	for _, args := range [][]string{
		{"token", "add"}, {"token", "add", "x", "--scope", "write"}, {"token", "add", " "}, {"token", "revoke", "nosuch"}, {"token", "lend"},
	} {
		if _, code := nightcage(t, args...); code != exitUsage {
			t.Errorf("%v: exit code %d", args, code)
		}
	}
	if err := os.WriteFile(home+"/tokens.json", []byte("not JSON"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, code := nightcage(t, "token", "list"); code != exitUnavailable {
		t.Errorf("damaged file: exit code %d", code)
	}
}
