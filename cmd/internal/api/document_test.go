package api

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"nightcage/metrics"
	"nightcage/vision"
	"nightcage/worker"
)

// published reads the schema of a kind of document, from testdata.
func published(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	if strings.HasSuffix(name, ".gz") {
		z, err := gzip.NewReader(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if b, err = io.ReadAll(z); err != nil {
			t.Fatal(err)
		}
	}
	c := jsonschema.NewCompiler()
	add(t, c, "urn:published", b)
	s, err := c.Compile("urn:published")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func add(t *testing.T, c *jsonschema.Compiler, url string, text []byte) {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err == nil {
		err = c.AddResource(url, doc)
	}
	if err != nil {
		t.Fatalf("%s: %v", url, err)
	}
}

// ours compiles a schema within one of our documents.
func ours(t *testing.T, name string, yaml []byte, pointer string) *jsonschema.Schema {
	t.Helper()
	text, err := asJSON(yaml)
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	c.AssertFormat()
	add(t, c, "http://room"+Prefix+name, text)
	add(t, c, "http://room"+Prefix+"schemas/swing.json", metrics.Schema())
	s, err := c.Compile("http://room" + Prefix + name + "#" + pointer)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func check(t *testing.T, what string, s *jsonschema.Schema, body []byte) {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err == nil {
		err = s.Validate(v)
	}
	if err != nil {
		t.Errorf("%s: %v\n%.2000s", what, err, body)
	}
}

// The schemas are those of the OpenAPI Initiative for 3.1 and of the AsyncAPI
// Initiative for 3.0.0; see testdata/README.md.
func TestDocumentsFitThePublishedSchemas(t *testing.T) {
	for _, d := range []struct {
		text   []byte
		schema string
		spoil  string // a required word that is taken away, to see that the schema looks
	}{
		{openAPI, "openapi-3.1.schema.json", "\n      responses:"},
		{asyncAPI, "asyncapi-3.0.0.schema.json.gz", "\n    action: receive"},
	} {
		s := published(t, d.schema)
		text, err := asJSON(d.text)
		if err != nil {
			t.Fatal(err)
		}
		check(t, d.schema, s, text)
		spoiled := strings.Replace(string(d.text), d.spoil, strings.Replace(d.spoil, ":", "x:", 1), 1)
		if text, err = asJSON([]byte(spoiled)); err != nil {
			t.Fatal(err)
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if s.Validate(v) == nil {
			t.Errorf("%s passes a document without %q", d.schema, d.spoil)
		}
	}
}

// operation is the part of an OpenAPI document that says what is answered.
type operation struct {
	Responses map[string]struct {
		Content map[string]struct {
			Schema json.RawMessage `json:"schema"`
		} `json:"content"`
	} `json:"responses"`
}

// Every address of the document is asked for, and every answer is held against the
// schema that the document gives for it.
func TestAnswersFitTheDocument(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	s.add(t, "Rook Calder", 2, measured(t))
	s.add(t, "Juniper Sable", 1, metrics.Swing{})
	hidden := s.ids[0]
	text, err := asJSON(openAPI)
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]struct{ Get *operation } `json:"paths"`
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	if len(doc.Paths) < 6 {
		t.Fatalf("%d paths", len(doc.Paths))
	}
	for path, item := range doc.Paths {
		shown := strings.NewReplacer("/swings/", "swings/", "{id}", s.ids[1], "{name}", "contact.jpg").Replace(path)
		r, body := s.get(t, Prefix+strings.TrimPrefix(shown, "/"))
		if r.StatusCode != http.StatusOK {
			t.Errorf("%s: %s", path, r.Status)
			continue
		}
		kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
		if err != nil {
			t.Errorf("%s: %v", path, err)
		}
		media, ok := item.Get.Responses["200"].Content[kind]
		if !ok {
			t.Errorf("%s: answers %s, which the document does not say", path, kind)
			continue
		}
		if media.Schema == nil {
			continue
		}
		pointer := fmt.Sprintf("/paths/%s/get/responses/200/content/%s/schema", strings.ReplaceAll(path, "/", "~1"), strings.ReplaceAll(kind, "/", "~1"))
		check(t, path, ours(t, "openapi.json", openAPI, strings.NewReplacer("{", "%7B", "}", "%7D").Replace(pointer)), body)
	}
	problems := ours(t, "openapi.json", openAPI, "/components/schemas/Problem")
	for _, path := range []string{"swings/" + hidden, "swings/x", "nothing", "swings?limit=x"} {
		r, body := s.get(t, Prefix+path)
		if r.StatusCode < 400 {
			t.Errorf("%s: %s", path, r.Status)
		}
		check(t, path, problems, body)
	}
}

func TestMessagesFitTheDocument(t *testing.T) {
	job := worker.Job{ID: fmt.Sprintf("%032x", 5), Clip: "/clips/a.mp4", ClipSHA256: fmt.Sprintf("%064x", 7), Pipeline: "9.9",
		SubmittedAt: time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC), Subject: vision.Subject{Bats: vision.SideUnknown}}
	letter := worker.DeadLetter{Job: job, Attempts: 2, At: job.SubmittedAt, Reason: worker.Reason{Class: worker.ClassBadClip, Kind: "not_a_video", Words: "no video"}}
	for name, message := range map[string]any{"job": job, "deadLetter": letter} {
		b, err := json.Marshal(message)
		if err != nil {
			t.Fatal(err)
		}
		check(t, name, ours(t, "asyncapi.json", asyncAPI, "/components/schemas/"+name), b)
	}
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	s.add(t, "Rook Calder", 1, measured(t))
	_, body := s.get(t, Prefix+"swings/"+s.ids[0])
	check(t, "record", ours(t, "asyncapi.json", asyncAPI, "/components/schemas/record"), body)
}
