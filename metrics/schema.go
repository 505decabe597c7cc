package metrics

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

//go:embed swing.schema.json
var schemaJSON []byte

// Schema returns the JSON Schema (2020-12) of Swing.
func Schema() []byte { return bytes.Clone(schemaJSON) }

var compiledSchema = sync.OnceValues(func() (*jsonschema.Schema, error) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaJSON))
	if err != nil {
		return nil, err
	}
	const url = "urn:nightcage:swing:1"
	c := jsonschema.NewCompiler()
	if err := c.AddResource(url, doc); err != nil {
		return nil, err
	}
	return c.Compile(url)
})

// Validate checks a record against Schema. The error names the places that do
// not fit.
func Validate(record json.RawMessage) error {
	s, err := compiledSchema()
	if err != nil {
		return fmt.Errorf("compile the record's schema: %w", err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(record))
	if err != nil {
		return fmt.Errorf("validate record: %w", err)
	}
	if err := s.Validate(doc); err != nil {
		return fmt.Errorf("validate record: %w", err)
	}
	return nil
}
