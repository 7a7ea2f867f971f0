// Package firmwareconfig holds the ready plant and board files, so that the demo
// and the tests use the very files that a plant starts from.
package firmwareconfig

import "embed"

//go:embed plants/*-plant.toml
var Plants embed.FS
