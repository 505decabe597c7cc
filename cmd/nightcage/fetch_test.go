package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
)

// What is submitted is a file's path and never an address to fetch from: a server
// behind the firewall cannot be asked through Nightcage.
func TestAddressesAreNotFetched(t *testing.T) {
	var asked atomic.Int32
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { asked.Add(1) }))
	defer srv.Close()
	who := []string{"--hitter", "Rook Calder", "--team", "Cinder Creek Comets", "--home", t.TempDir()}
	for _, address := range []string{srv.URL + "/a.mp4", "file:///etc/passwd", "concat:/etc/passwd", "tcp:" + strings.TrimPrefix(srv.URL, "http:")} {
		if _, code := nightcage(t, append([]string{"submit", address}, who...)...); code != exitBadClip {
			t.Errorf("submit %s: exit code %d", address, code)
		}
		if _, code := nightcage(t, "measure", address); code != exitBadClip {
			t.Errorf("measure %s: exit code %d", address, code)
		}
	}
	if asked.Load() != 0 {
		t.Errorf("the server was asked %d times", asked.Load())
	}
}

// No code of the product asks over HTTP, but for the depot's client, whose server the
// operator names.
func TestNothingAsksOverHTTP(t *testing.T) {
	asks := map[string]bool{"Get": true, "Head": true, "Post": true, "PostForm": true, "NewRequest": true,
		"NewRequestWithContext": true, "Client": true, "DefaultClient": true, "Transport": true, "DefaultTransport": true}
	files := 0
	err := filepath.WalkDir("../..", func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.IsDir() && strings.HasPrefix(e.Name(), ".") && len(e.Name()) > 2 {
			return fs.SkipDir
		}
		if filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		files++
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(f, func(n ast.Node) bool {
			s, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if pkg, ok := s.X.(*ast.Ident); ok && pkg.Name == "http" && asks[s.Sel.Name] && !strings.HasSuffix(path, "worker/depot/bucket.go") &&
				!strings.Contains(path, "/example/") { // programs for others to copy, which ask this product
				t.Errorf("%s uses http.%s", path, s.Sel.Name)
			}
			return true
		})
		return nil
	})
	if err != nil || files < 100 {
		t.Fatalf("%d files looked at, %v", files, err)
	}
}
