package protocol

import (
	"embed"
	"strings"
)

// Schemas holds a JSON Schema (draft 2020-12) for every message, named as in
// Message.Schema, and their common parts.
//
//go:embed schemas/*.json
var Schemas embed.FS

// AsyncAPI is the AsyncAPI 3 description of all that a bench publishes.
//
//go:embed asyncapi.json
var AsyncAPI []byte

// Schema is the name of the message's schema in Schemas.
func (m Message) Schema() string {
	name, _, _ := strings.Cut(m.Name, "/{")
	return strings.ReplaceAll(name, "/", "-") + ".json"
}
