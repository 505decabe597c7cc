// Package coachfile reads YAML files that people write by hand. It holds a file
// against its JSON Schema (draft 2020-12) and says of whatever is wrong in which
// file and line it stands.
package coachfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
)

// Format is a kind of file.
type Format struct {
	schema func() (*jsonschema.Schema, error)
}

// NewFormat is the kind of file that a JSON Schema describes; urn is its $id.
func NewFormat(urn string, schema []byte) Format {
	return Format{sync.OnceValues(func() (*jsonschema.Schema, error) {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schema))
		if err != nil {
			return nil, err
		}
		c := jsonschema.NewCompiler()
		if err := c.AddResource(urn, doc); err != nil {
			return nil, err
		}
		return c.Compile(urn)
	})}
}

// Read parses text into the struct that into points to. name is what errors call
// the file. The error joins one line for each thing that is wrong, as
// "name:line: where: what". File is for the checks that a schema cannot make.
func (f Format) Read(name string, text []byte, into any) (File, error) {
	var root yaml.Node
	if err := yaml.Unmarshal(text, &root); err != nil {
		return File{}, said(name, err)
	}
	if root.Kind == 0 {
		return File{}, errors.New(name + ":1: the file is empty")
	}
	file := File{name: name, root: &root}
	if err := file.fits(f); err != nil {
		return file, err
	}
	if err := root.Decode(into); err != nil {
		return file, said(name, err)
	}
	return file, nil
}

func said(name string, err error) error {
	return fmt.Errorf("%s: %s", name, strings.TrimPrefix(err.Error(), "yaml: "))
}

// File is a parsed file that can say where things stand in it.
type File struct {
	name string
	root *yaml.Node
}

// Wrong is an error about the value at a path of keys and indices.
func (f File) Wrong(path []string, what string) error {
	where := strings.Join(path, "/")
	if where != "" {
		where += ": "
	}
	return fmt.Errorf("%s:%d: %s%s", f.name, f.line(path), where, what)
}

// line is that of the value at a path, or of the last part of it that exists.
func (f File) line(path []string) int {
	n := f.root.Content[0]
	line := n.Line
	for _, key := range path {
		var next *yaml.Node
		switch n.Kind {
		case yaml.SequenceNode:
			if i, err := strconv.Atoi(key); err == nil && i < len(n.Content) {
				next = n.Content[i]
			}
		case yaml.MappingNode:
			for i := 0; i+1 < len(n.Content); i += 2 {
				if n.Content[i].Value == key {
					line, next = n.Content[i].Line, n.Content[i+1]
				}
			}
		}
		if next == nil {
			break
		}
		n = next
		if n.Kind != yaml.MappingNode || n.Line > line {
			line = n.Line
		}
	}
	return line
}

// fits holds the file against its schema.
func (f File) fits(format Format) error {
	s, err := format.schema()
	if err != nil {
		return fmt.Errorf("compile the schema of %s: %w", f.name, err)
	}
	var doc any
	if err := f.root.Decode(&doc); err != nil {
		return said(f.name, err)
	}
	b, err := json.Marshal(doc)
	if err != nil {
		return fmt.Errorf("%s: %w", f.name, err)
	}
	if doc, err = jsonschema.UnmarshalJSON(bytes.NewReader(b)); err != nil {
		return fmt.Errorf("%s: %w", f.name, err)
	}
	err = s.Validate(doc)
	var bad *jsonschema.ValidationError
	if errors.As(err, &bad) {
		return errors.Join(f.leaves(bad)...)
	}
	return err
}

// leaves are the errors without causes of their own: the ones that say something.
func (f File) leaves(e *jsonschema.ValidationError) []error {
	if len(e.Causes) == 0 {
		return []error{f.Wrong(e.InstanceLocation, e.ErrorKind.LocalizedString(message.NewPrinter(language.English)))}
	}
	var out []error
	for _, c := range e.Causes {
		out = append(out, f.leaves(c)...)
	}
	return out
}
