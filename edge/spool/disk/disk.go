// Package disk is the little of a file system that the board's spool stands on,
// with a promise written at each operation of what is durable when. Dir is the
// real one; Model is one in memory that can lose power at any operation.
package disk

import "io"

// FS is one directory. Names are plain file names without separators.
//
// Nothing an FS does is durable (there after a power cut) before the sync that
// is named with it. What was done is in the kernel's hands at return: it outlives
// the program.
type FS interface {
	// List names the files there are, sorted.
	List() ([]string, error)
	// Create makes a new empty file for reading and writing and fails if the name
	// is taken. The name is durable after SyncDir.
	Create(name string) (File, error)
	// Open opens a file for reading and writing.
	Open(name string) (File, error)
	// OpenRead opens a file for reading; it needs no right to write.
	OpenRead(name string) (File, error)
	// Rename gives a file another name, replacing what had it: after a power cut
	// before SyncDir the name means the old file or the new one, never neither.
	Rename(from, to string) error
	// Remove takes a name away. Until SyncDir it may come back after a power cut.
	Remove(name string) error
	// SyncDir makes every creation, renaming and removal so far durable.
	SyncDir() error
	// Lock takes the directory for one program until the returned closer is closed
	// or the program ends. It fails at once if another program has it.
	Lock() (io.Closer, error)
}

// File is one open file.
type File interface {
	io.ReaderAt
	// WriteAt hands bytes to the kernel. Several writes between two syncs may
	// become durable in any order, in part, or not at all.
	io.WriterAt
	// Truncate sets the length; new bytes are zero.
	Truncate(size int64) error
	Size() (int64, error)
	// Sync makes the file's bytes and length durable. After an error the kernel
	// may have dropped the bytes and will not say so again: never trust the file
	// to hold what was not synced before.
	Sync() error
	Close() error
}
