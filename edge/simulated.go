package edge

import "decktrim/internal/sim"

// Mill gives the simulated mill, held still, to f and reports whether there is one.
// A demo's people act on the mill through it.
func (e *Edge) Mill(f func(*sim.Mill)) bool { return e.set.Mill(f) }
