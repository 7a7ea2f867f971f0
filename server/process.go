package server

import (
	"bytes"
	"io"
)

// processMetrics gathers the figures of the process (memory, CPU, goroutines) and
// gives each our prefix: every series of this server begins with decktrim_.
type processMetrics struct{ bytes.Buffer }

func (p *processMetrics) writeTo(w io.Writer) {
	for line := range bytes.Lines(p.Bytes()) {
		if len(line) < 2 || line[0] == '#' {
			continue
		}
		if _, err := w.Write(append([]byte("decktrim_"), line...)); err != nil {
			return // the reader has gone
		}
	}
}
