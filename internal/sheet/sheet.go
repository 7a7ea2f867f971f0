// Package sheet is what the readers of tables (runs, readings, samples) have in common:
// comma-separated text as spreadsheets write it, and errors with file, line and column.
package sheet

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Error is one thing wrong in a table: what, where and what to do.
type Error struct {
	File         string
	Line, Column int // from 1; Column counts bytes
	Text         string
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text)
}

// Reader reads rows and knows where their fields stand.
type Reader struct {
	*csv.Reader
	file string
}

// NewReader reads a table. file stands in errors. The byte order mark that spreadsheets
// put first is left out; rows may differ in length, which their reader says better.
func NewReader(file string, src io.Reader) *Reader {
	buffered := bufio.NewReader(src)
	if mark, err := buffered.Peek(3); err == nil && string(mark) == "\xef\xbb\xbf" {
		_, _ = buffered.Discard(3) // peeked, so it is there
	}
	r := csv.NewReader(buffered)
	r.FieldsPerRecord = -1
	return &Reader{r, file}
}

// Read gives the next row, io.EOF, or an error with its place.
func (r *Reader) Read() ([]string, error) {
	row, err := r.Reader.Read()
	if err == nil || errors.Is(err, io.EOF) {
		return row, err
	}
	if pe, ok := errors.AsType[*csv.ParseError](err); ok {
		return nil, &Error{r.file, pe.Line, max(1, pe.Column), "a quotation mark is out of place: quote whole fields or none"}
	}
	return nil, fmt.Errorf("%s: cannot be read: %w", r.file, err)
}

// Errorf is an error about a field of the row read last.
func (r *Reader) Errorf(field int, format string, args ...any) error {
	line, column := r.FieldPos(field)
	return &Error{r.file, line, column, fmt.Sprintf(format, args...)}
}

// At is the place of a field of the row read last, as file:line:column.
func (r *Reader) At(field int) string {
	line, column := r.FieldPos(field)
	return fmt.Sprintf("%s:%d:%d", r.file, line, column)
}

// Blank reports whether a row holds nothing but space.
func Blank(row []string) bool {
	for _, f := range row {
		if strings.TrimSpace(f) != "" {
			return false
		}
	}
	return true
}
