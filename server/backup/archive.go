// Package backup writes a server's data folder into one archive file while the server
// runs, and makes a data folder from such a file again.
//
// An archive is a tar file, perhaps compressed with gzip, perhaps encrypted with age
// (outermost). Its first entry is manifest.json, which lists all others in their
// order with size and SHA-256: the databases, then copies of the configuration. Keys,
// certificates and the access token are never in it.
//
// A file bears its final name only when it is whole: it is written under .decktrim-backup
// in the target folder, synced, read again from the disk and compared, and then
// renamed, and the folder synced.
package backup

import (
	"archive/tar"
	"bufio"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"

	"filippo.io/age"
)

const (
	format       = 1 // of the archive
	manifestName = "manifest.json"
	manifestMost = 1 << 20 // bytes
	configFolder = "config/"
	ageMagic     = "age-encryption.org/" // age-encryption.org/v1, first line of an age file
	gzipMagic    = "\x1f\x8b"            // RFC 1952, 2.3.1
)

// Manifest is what an archive holds.
type Manifest struct {
	Format   int       `json:"format"`
	Made     time.Time `json:"made"`     // when the state was taken, UTC
	Decktrim string    `json:"decktrim"` // version of the program
	Files    []File    `json:"files"`
}

// File is an entry of an archive.
type File struct {
	Name   string           `json:"name"` // readings.db, or config/NAME
	Size   int64            `json:"size"` // bytes
	SHA256 string           `json:"sha256"`
	From   string           `json:"from,omitempty"`   // a configuration's path on the machine that it was taken from
	Schema int              `json:"schema,omitempty"` // a database's
	Rows   map[string]int64 `json:"rows,omitempty"`   // a database's, by table
}

// Database reports whether the entry is a database.
func (f *File) Database() bool {
	return strings.HasSuffix(f.Name, ".db") && !strings.Contains(f.Name, "/")
}

// Bytes is the size of all entries together.
func (m *Manifest) Bytes() (sum int64) {
	for _, f := range m.Files {
		sum += f.Size
	}
	return sum
}

// Refusal is an error in what was given: the archive, the key or a folder.
type Refusal struct{ err error }

func (r *Refusal) Error() string { return r.err.Error() }
func (r *Refusal) Unwrap() error { return r.err }

func refusef(f string, args ...any) error { return &Refusal{fmt.Errorf(f, args...)} }

// Names that an archive may hold: nothing that leaves the folder or hides in it.
var (
	databaseName = regexp.MustCompile(`^[a-z][a-z0-9_-]{0,63}\.db$`)
	configName   = regexp.MustCompile(`^config/[^/.\x00-\x1f][^/\x00-\x1f]{0,199}$`)
)

func (m *Manifest) check() error {
	if m.Format > format {
		return fmt.Errorf("it was made by a newer decktrim (%s, format %d, this program knows %d); use that version", m.Decktrim, m.Format, format)
	}
	if m.Format < 1 || len(m.Files) == 0 {
		return errors.New("its manifest is not one of decktrim")
	}
	seen := map[string]bool{}
	total := int64(0)
	for i := range m.Files {
		f := &m.Files[i]
		if !databaseName.MatchString(f.Name) && !configName.MatchString(f.Name) || f.Name == configFolder+manifestName {
			return fmt.Errorf("its manifest names a file %.80q, which does not belong in an archive", f.Name)
		}
		sum, err := hex.DecodeString(f.SHA256)
		if seen[f.Name] || f.Size < 0 || err != nil || len(sum) != sha256.Size {
			return fmt.Errorf("its manifest is wrong about %.80q", f.Name)
		}
		seen[f.Name] = true
		if total += f.Size; total < 0 {
			return errors.New("its manifest is wrong about sizes")
		}
	}
	for _, must := range []string{"readings.db", "ledger.db"} {
		if !seen[must] {
			return fmt.Errorf("it holds no %s", must)
		}
	}
	return nil
}

// write writes an archive whose entries open gives.
func write(w io.Writer, m Manifest, compress bool, to []age.Recipient, open func(File) (io.ReadCloser, error)) error {
	var closers []io.Closer
	if len(to) > 0 {
		e, err := age.Encrypt(w, to...)
		if err != nil {
			return fmt.Errorf("the archive cannot be encrypted: %w", err)
		}
		w, closers = e, append(closers, e)
	}
	if compress {
		z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
		if err != nil {
			return err
		}
		w, closers = z, append(closers, z)
	}
	t := tar.NewWriter(w)
	closers = append(closers, t)
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	entry := func(name string, size int64, r io.Reader) error {
		if err := t.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, ModTime: m.Made, Format: tar.FormatPAX}); err != nil {
			return err
		}
		_, err := io.Copy(t, r)
		return err
	}
	if err := entry(manifestName, int64(len(text)), bytes.NewReader(text)); err != nil {
		return err
	}
	for _, f := range m.Files {
		r, err := open(f)
		if err != nil {
			return err
		}
		if err := errors.Join(entry(f.Name, f.Size, r), r.Close()); err != nil {
			return err
		}
	}
	for i := len(closers) - 1; i >= 0; i-- {
		if err := closers[i].Close(); err != nil {
			return err
		}
	}
	return nil
}

// read reads an archive to its end. It gives first the manifest, then each entry, to
// functions which may refuse them. Everything is checked against the manifest; what
// take has been given is right only when read returns nil.
func read(r io.Reader, keys []age.Identity, begin func(Manifest) error, take func(File, io.Reader) error) (Manifest, error) {
	var m Manifest
	b := bufio.NewReaderSize(r, 1<<20)
	if head, err := b.Peek(len(ageMagic)); err == nil && string(head) == ageMagic {
		if len(keys) == 0 {
			return m, errors.New("it is encrypted: give the key with --identity")
		}
		d, err := age.Decrypt(b, keys...)
		var wrong *age.NoIdentityMatchError
		switch {
		case errors.As(err, &wrong):
			return m, errors.New("it is encrypted for another key: give the identity that belongs to it")
		case err != nil:
			return m, fmt.Errorf("it is damaged: %w", err)
		}
		b = bufio.NewReaderSize(d, 1<<20)
	}
	if head, err := b.Peek(len(gzipMagic)); err == nil && string(head) == gzipMagic {
		z, err := gzip.NewReader(b)
		if err != nil {
			return m, fmt.Errorf("it is damaged: %w", err)
		}
		b = bufio.NewReaderSize(z, 1<<20)
	}
	t := tar.NewReader(b)
	h, err := t.Next()
	if err != nil {
		return m, fmt.Errorf("it is damaged, or no archive of decktrim: %w", err)
	}
	if h.Name != manifestName || h.Typeflag != tar.TypeReg || h.Size > manifestMost {
		return m, errors.New("it is no archive of decktrim: it does not begin with a manifest")
	}
	text, err := io.ReadAll(t)
	if err != nil {
		return m, fmt.Errorf("it is damaged: %w", err)
	}
	if err := json.Unmarshal(text, &m); err != nil {
		return m, fmt.Errorf("its manifest cannot be read: %w", err)
	}
	if err := m.check(); err != nil {
		return m, err
	}
	if err := begin(m); err != nil {
		return m, err
	}
	for _, f := range m.Files {
		h, err := t.Next()
		if err != nil {
			return m, fmt.Errorf("it is damaged: %s is missing: %w", f.Name, noEOF(err))
		}
		if h.Name != f.Name || h.Typeflag != tar.TypeReg || h.Size != f.Size {
			return m, fmt.Errorf("it is damaged: %.80q stands where %s of %d bytes belongs", h.Name, f.Name, f.Size)
		}
		sum := sha256.New()
		body := &watched{r: io.TeeReader(t, sum)}
		if err := take(f, body); err != nil {
			if body.err != nil {
				return m, fmt.Errorf("it is damaged: %s: %w", f.Name, body.err)
			}
			return m, err
		}
		if hex.EncodeToString(sum.Sum(nil)) != f.SHA256 {
			return m, fmt.Errorf("it is damaged: the checksum of %s is wrong", f.Name)
		}
	}
	if _, err := t.Next(); !errors.Is(err, io.EOF) {
		return m, errors.New("it is damaged: it holds more than its manifest says")
	}
	// The checksum of gzip and the last block of age stand at the very end.
	if n, err := io.Copy(io.Discard, io.LimitReader(b, 1)); err != nil || n > 0 {
		return m, fmt.Errorf("it is damaged at its end: %w", errors.Join(err, errTail))
	}
	return m, nil
}

var errTail = errors.New("it does not end where it should")

func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

// watched remembers the error of the reader below, to tell it from the writer's.
type watched struct {
	r   io.Reader
	err error
}

func (c *watched) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		c.err = err
	}
	return n, err
}
