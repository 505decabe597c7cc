package depot

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
)

// server is an object store in this process that can be made to fail.
type server struct {
	*httptest.Server
	fault atomic.Value // string: "", "refuses", "silent", "breaks off"
	done  chan struct{}
}

func newServer(t *testing.T) *server {
	t.Helper()
	backend := s3mem.New()
	if err := backend.CreateBucket("night"); err != nil {
		t.Fatal(err)
	}
	s := &server{done: make(chan struct{})}
	s.fault.Store("")
	good := gofakes3.New(backend, gofakes3.WithLogger(gofakes3.DiscardLog())).Server()
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch s.fault.Load() {
		case "refuses":
			http.Error(w, "slow down", http.StatusServiceUnavailable)
		case "silent":
			select {
			case <-s.done:
			case <-r.Context().Done():
			}
		case "breaks off":
			rec := httptest.NewRecorder()
			good.ServeHTTP(rec, r)
			for k, v := range rec.Header() {
				w.Header()[k] = v
			}
			w.Header().Set("Content-Length", fmt.Sprint(rec.Body.Len()))
			w.WriteHeader(rec.Code)
			w.Write(rec.Body.Bytes()[:rec.Body.Len()/2])
			panic(http.ErrAbortHandler)
		default:
			good.ServeHTTP(w, r)
		}
	}))
	t.Cleanup(func() { close(s.done); s.Close() })
	return s
}

func (s *server) bucket(t *testing.T, place string) *Bucket {
	t.Helper()
	b, err := OpenBucket(place, s.URL)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestMain(m *testing.M) {
	os.Setenv("AWS_ACCESS_KEY_ID", "test")
	os.Setenv("AWS_SECRET_ACCESS_KEY", "test")
	os.Exit(m.Run())
}

func TestDirConforms(t *testing.T) {
	t.Parallel()
	d, err := OpenDir(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	conforms(t, d)
}

func TestBucketConforms(t *testing.T) {
	t.Parallel()
	conforms(t, newServer(t).bucket(t, "s3://night"))
}

func TestBucketWithAPrefixConforms(t *testing.T) {
	t.Parallel()
	s := newServer(t)
	put(t, s.bucket(t, "s3://night"), "other/clips/x", []byte("another's"))
	conforms(t, s.bucket(t, "s3://night/comets"))
}

func put(t *testing.T, d Depot, key string, b []byte) {
	t.Helper()
	if err := d.Put(t.Context(), key, bytes.NewReader(b), int64(len(b))); err != nil {
		t.Fatal(err)
	}
}

func get(t *testing.T, d Depot, key string) []byte {
	t.Helper()
	r, err := d.Get(t.Context(), key)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// conforms is what every depot promises.
func conforms(t *testing.T, d Depot) {
	t.Helper()
	ctx := t.Context()
	if keys, err := d.List(ctx, ""); err != nil || len(keys) != 0 {
		t.Errorf("a new depot lists %v, %v", keys, err)
	}
	if _, err := d.Get(ctx, "clips/none"); !errors.Is(err, ErrAbsent) {
		t.Errorf("get of nothing: %v", err)
	}
	if err := d.Delete(ctx, "clips/none"); err != nil {
		t.Errorf("delete of nothing: %v", err)
	}

	// Sizes about those at which a client sends in parts (16 MiB).
	r := rand.NewChaCha8([32]byte{7})
	for _, size := range []int{1, 4096, 16<<20 - 1, 16<<20 + 1} {
		b := make([]byte, size)
		r.Read(b)
		put(t, d, "clips/a", b)
		if got := get(t, d, "clips/a"); !bytes.Equal(got, b) {
			t.Fatalf("%d bytes came back as %d others", size, len(got))
		}
	}
	put(t, d, "clips/a", []byte("first"))
	put(t, d, "clips/a", []byte("second"))
	if got := get(t, d, "clips/a"); string(got) != "second" {
		t.Errorf("replaced: %q", got)
	}

	// A reader that fails, is short, or is cut off leaves what was there.
	fails := io.MultiReader(strings.NewReader("thi"), errorReader{})
	cut, cancel := context.WithCancel(ctx)
	cancel()
	for why, put := range map[string]func() error{
		"fails":    func() error { return d.Put(ctx, "clips/a", fails, 100) },
		"is short": func() error { return d.Put(ctx, "clips/a", strings.NewReader("third"), 100) },
		"is late":  func() error { return d.Put(cut, "clips/a", strings.NewReader("third"), 5) },
	} {
		if err := put(); !errors.Is(err, ErrAway) {
			t.Errorf("a reader that %s: %v", why, err)
		}
		if got := get(t, d, "clips/a"); string(got) != "second" {
			t.Errorf("a reader that %s left %q", why, got)
		}
	}

	put(t, d, "records/b/2/still.jpg", []byte("b"))
	put(t, d, "records/b/1/still.jpg", []byte("b"))
	put(t, d, "records/bb/1/still.jpg", []byte("bb"))
	for folder, want := range map[string][]string{
		"":          {"clips/a", "records/b/1/still.jpg", "records/b/2/still.jpg", "records/bb/1/still.jpg"},
		"records/b": {"records/b/1/still.jpg", "records/b/2/still.jpg"},
		"nothing":   nil,
	} {
		if got, err := d.List(ctx, folder); err != nil || !slices.Equal(got, want) {
			t.Errorf("list of %q: %v, %v", folder, got, err)
		}
	}
	if err := d.Delete(ctx, "records/b/1/still.jpg"); err != nil {
		t.Error(err)
	}
	if got, err := d.List(ctx, "records"); err != nil || len(got) != 2 {
		t.Errorf("after a delete: %v, %v", got, err)
	}

	for _, key := range []string{"", "/etc/passwd", "../up", "a/../b", "a//b", "a/", "UPPER", "two words", ".part-x", "a\x00b", strings.Repeat("k", 300)} {
		_, gerr := d.Get(ctx, key)
		perr := d.Put(ctx, key, strings.NewReader("x"), 1)
		derr := d.Delete(ctx, key)
		if !errors.Is(gerr, ErrKey) || !errors.Is(perr, ErrKey) || !errors.Is(derr, ErrKey) {
			t.Errorf("key %q: %v, %v, %v", key, gerr, perr, derr)
		}
	}

	// Many at once: each key holds one of the values, whole.
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			b := bytes.Repeat([]byte{byte(i)}, 50_000)
			if err := d.Put(ctx, fmt.Sprintf("clips/many-%d", i%4), bytes.NewReader(b), int64(len(b))); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	for i := range 4 {
		b := get(t, d, fmt.Sprintf("clips/many-%d", i))
		if len(b) != 50_000 || !bytes.Equal(b, bytes.Repeat(b[:1], len(b))) || int(b[0])%4 != i {
			t.Errorf("clips/many-%d holds %d mixed bytes", i, len(b))
		}
	}
}

type errorReader struct{}

func (errorReader) Read([]byte) (int, error) { return 0, errors.New("the disk has a bad sector") }

// A store that refuses, is silent, breaks off or is not there is away, which is told
// apart from having nothing.
func TestBucketThatFails(t *testing.T) {
	t.Parallel()
	for _, fault := range []string{"refuses", "silent", "breaks off", "gone"} {
		t.Run(strings.Fields(fault)[0], func(t *testing.T) {
			t.Parallel()
			s := newServer(t)
			b := s.bucket(t, "s3://night")
			content := bytes.Repeat([]byte("frame"), 100_000)
			put(t, b, "clips/a", content)
			if fault == "gone" {
				s.CloseClientConnections()
				s.Listener.Close()
			} else {
				s.fault.Store(fault)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
			defer cancel()
			read := func() error {
				r, err := b.Get(ctx, "clips/a")
				if err != nil {
					return err
				}
				defer r.Close()
				_, err = io.Copy(io.Discard, r)
				return err
			}
			began := time.Now()
			if err := read(); !errors.Is(err, ErrAway) || errors.Is(err, ErrAbsent) {
				t.Errorf("get: %v", err)
			}
			if fault != "breaks off" { // its answers have no body to cut
				if err := b.Put(ctx, "clips/b", strings.NewReader("x"), 1); !errors.Is(err, ErrAway) {
					t.Errorf("put: %v", err)
				}
				if err := b.Delete(ctx, "clips/a"); !errors.Is(err, ErrAway) {
					t.Errorf("delete: %v", err)
				}
			}
			if _, err := b.List(ctx, ""); !errors.Is(err, ErrAway) {
				t.Errorf("list: %v", err)
			}
			if took := time.Since(began); took > 10*time.Second {
				t.Errorf("took %v with 2 s to go", took)
			}
			if fault != "gone" {
				s.fault.Store("")
				if got := get(t, b, "clips/a"); !bytes.Equal(got, content) {
					t.Error("what was there before is not what came back")
				}
			}
		})
	}
}

// A bucket that does not exist is a store that is away, not one without the key.
func TestBucketThatDoesNotExist(t *testing.T) {
	t.Parallel()
	b := newServer(t).bucket(t, "s3://nosuch")
	if _, err := b.Get(t.Context(), "clips/a"); !errors.Is(err, ErrAway) {
		t.Errorf("%v", err)
	}
}

// A share that is no longer mounted is away, and is not made anew.
func TestDirThatLeft(t *testing.T) {
	t.Parallel()
	root := filepath.Join(t.TempDir(), "share")
	if _, err := OpenDir(root); !errors.Is(err, ErrAway) {
		t.Errorf("open: %v", err)
	}
	if err := os.Mkdir(root, 0o700); err != nil {
		t.Fatal(err)
	}
	d, err := OpenDir(root)
	if err != nil {
		t.Fatal(err)
	}
	put(t, d, "clips/a", []byte("x"))
	if err := os.RemoveAll(root); err != nil {
		t.Fatal(err)
	}
	_, gerr := d.Get(t.Context(), "clips/a")
	_, lerr := d.List(t.Context(), "")
	for what, err := range map[string]error{"get": gerr, "list": lerr, "delete": d.Delete(t.Context(), "clips/a"),
		"put": d.Put(t.Context(), "clips/a", strings.NewReader("x"), 1)} {
		if !errors.Is(err, ErrAway) || errors.Is(err, ErrAbsent) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := os.Stat(root); !errors.Is(err, os.ErrNotExist) {
		t.Error("the share was made anew")
	}
}

func TestPlacesThatAreNone(t *testing.T) {
	t.Parallel()
	for place, endpoint := range map[string]string{
		"night": "https://store:9000", "http://night": "https://store:9000", "s3://": "https://store:9000",
		"s3://night/UP": "https://store:9000", "s3://night": "store:9000", "s3://night/a": "ftp://store", "s3://night/b": "",
		"s3://night/c": "https://store/path",
	} {
		if _, err := OpenBucket(place, endpoint); !errors.Is(err, ErrKey) {
			t.Errorf("%s at %s: %v", place, endpoint, err)
		}
	}
}
