// Package protocoltest holds documents against their schemas, for tests of
// whatever publishes them. It is stricter than the schemas are for readers: a
// member that no schema names is a fault. It also reads documents that tests keep in files.
package protocoltest

import (
	"bytes"
	"fmt"
	"path"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"keyturn/protocol"
)

// Validator validates published documents.
type Validator struct{ schemas map[string]*jsonschema.Schema }

// New compiles every schema.
func New() (*Validator, error) {
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	entries, err := protocol.Schemas.ReadDir("schemas")
	if err != nil {
		return nil, fmt.Errorf("read the schemas: %w", err)
	}
	for _, e := range entries {
		text, err := protocol.Schemas.ReadFile(path.Join("schemas", e.Name()))
		if err != nil {
			return nil, fmt.Errorf("read schema %s: %w", e.Name(), err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			return nil, fmt.Errorf("parse schema %s: %w", e.Name(), err)
		}
		closeObjects(doc)
		if err := c.AddResource(e.Name(), doc); err != nil {
			return nil, fmt.Errorf("add schema %s: %w", e.Name(), err)
		}
	}
	v := &Validator{map[string]*jsonschema.Schema{}}
	for _, m := range protocol.Messages() {
		if v.schemas[m.Name], err = c.Compile(m.Schema()); err != nil {
			return nil, fmt.Errorf("compile the schema of %s: %w", m.Name, err)
		}
	}
	return v, nil
}

// closeObjects lets no object have a member that it does not name.
func closeObjects(doc any) {
	switch x := doc.(type) {
	case map[string]any:
		if _, ok := x["properties"].(map[string]any); ok && x["type"] == "object" {
			x["additionalProperties"] = false
		}
		for _, v := range x {
			closeObjects(v)
		}
	case []any:
		for _, v := range x {
			closeObjects(v)
		}
	}
}

// Validate holds the document published under a topic against its schema, and
// decodes it.
func (v *Validator) Validate(root, topic string, payload []byte) error {
	_, m, _, err := protocol.ParseTopic(root, topic)
	if err != nil {
		return err
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(payload))
	if err != nil {
		return fmt.Errorf("%s: %w", topic, err)
	}
	if err := v.schemas[m.Name].Validate(doc); err != nil {
		return fmt.Errorf("%s: %w", topic, err)
	}
	d, err := protocol.Decode(payload)
	if err != nil {
		return fmt.Errorf("%s: %w", topic, err)
	}
	if got := protocol.MessageOf(d); got.Name != m.Name {
		return fmt.Errorf("%s: carries a document of %s", topic, got.Name)
	}
	return nil
}
