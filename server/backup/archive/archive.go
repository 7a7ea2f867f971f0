// Package archive is the form of a backup: one file with a manifest, the databases and
// copies of the configuration. It knows nothing of databases or disks.
//
// An archive is a tar file, perhaps compressed with gzip, perhaps encrypted with age
// (outermost). Its first entry is manifest.json, which lists all others in their
// order with size and SHA-256.
package archive

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
	Format       = 1 // of the archives that this program writes
	ManifestName = "manifest.json"
	manifestMost = 1 << 20 // bytes
	ConfigFolder = "config/"
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

// Names that an archive may hold: nothing that leaves the folder or hides in it.
var (
	databaseName = regexp.MustCompile(`^[a-z][a-z0-9_-]{0,63}\.db$`)
	configName   = regexp.MustCompile(`^config/[^/.\x00-\x1f][^/\x00-\x1f]{0,199}$`)
)

// Check refuses a manifest that this program cannot follow.
func (m *Manifest) Check() error {
	if m.Format > Format {
		return fmt.Errorf("it was made by a newer decktrim (%s, format %d, this program knows %d); use that version", m.Decktrim, m.Format, Format)
	}
	if m.Format < 1 || len(m.Files) == 0 {
		return errors.New("its manifest is not one of decktrim")
	}
	seen := map[string]bool{}
	total := int64(0)
	for i := range m.Files {
		f := &m.Files[i]
		if !databaseName.MatchString(f.Name) && !configName.MatchString(f.Name) || f.Name == ConfigFolder+ManifestName {
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

// Write writes an archive whose entries open gives.
func Write(w io.Writer, m Manifest, compress bool, to []age.Recipient, open func(File) (io.ReadCloser, error)) error {
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
	if err := entry(ManifestName, int64(len(text)), bytes.NewReader(text)); err != nil {
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

// Read reads an archive to its end. It gives first the manifest, then each entry, to
// functions which may refuse them. Everything is checked against the manifest; what
// take has been given is right only when Read returns nil.
func Read(r io.Reader, keys []age.Identity, begin func(Manifest) error, take func(File, io.Reader) error) (Manifest, error) {
	var m Manifest
	b := bufio.NewReaderSize(r, 64<<10)
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
		b = bufio.NewReaderSize(d, 64<<10)
	}
	if head, err := b.Peek(len(gzipMagic)); err == nil && string(head) == gzipMagic {
		z, err := gzip.NewReader(b)
		if err != nil {
			return m, fmt.Errorf("it is damaged: %w", err)
		}
		b = bufio.NewReaderSize(z, 64<<10)
	}
	t := tar.NewReader(b)
	h, err := t.Next()
	if err != nil {
		return m, fmt.Errorf("it is damaged, or no archive of decktrim: %w", err)
	}
	if h.Name != ManifestName || h.Typeflag != tar.TypeReg || h.Size > manifestMost {
		return m, errors.New("it is no archive of decktrim: it does not begin with a manifest")
	}
	text, err := io.ReadAll(t)
	if err != nil {
		return m, fmt.Errorf("it is damaged: %w", err)
	}
	if err := json.Unmarshal(text, &m); err != nil {
		return m, fmt.Errorf("its manifest cannot be read: %w", err)
	}
	if err := m.Check(); err != nil {
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
		if err := take(f, &body{io.TeeReader(t, sum)}); err != nil {
			if d := (*Damage)(nil); errors.As(err, &d) {
				return m, fmt.Errorf("it is damaged: %s: %w", f.Name, err)
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

// Damage is an error of reading an entry, to tell it from one of writing it elsewhere.
type Damage struct{ err error }

func (d *Damage) Error() string { return d.err.Error() }
func (d *Damage) Unwrap() error { return d.err }

type body struct{ r io.Reader }

func (b *body) Read(p []byte) (int, error) {
	n, err := b.r.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		err = &Damage{err}
	}
	return n, err
}
