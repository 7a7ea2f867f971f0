//go:build !linux

package clock

import "time"

// SinceBoot counts from the program's start here.
func SinceBoot() time.Duration { return sinceStart() }

// BootID is not known here; each start of the program counts as a boot.
func BootID() string { return "" }

// Synchronised is taken for granted here.
func Synchronised() bool { return true }
