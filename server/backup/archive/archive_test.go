package archive

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestManifestNames(t *testing.T) {
	sum := strings.Repeat("0", 64)
	for _, name := range []string{"../readings.db", "/etc/passwd", "config/../x", "config/.x", "config/a/b", "lock", "a.db/b", "", "config/manifest.json"} {
		m := Manifest{Format: 1, Files: []File{{Name: "readings.db", SHA256: sum}, {Name: "ledger.db", SHA256: sum}, {Name: name, SHA256: sum}}}
		require.ErrorContains(t, m.Check(), "does not belong", name)
	}
	twice := Manifest{Format: 1, Files: []File{{Name: "readings.db", SHA256: sum}, {Name: "readings.db", SHA256: sum}}}
	require.Error(t, twice.Check())
}

func FuzzRead(f *testing.F) {
	body := []byte("not looked into here")
	sum := sha256.Sum256(body)
	m := Manifest{Format: Format, Made: time.Unix(1_767_600_000, 0).UTC()}
	for _, name := range []string{"ledger.db", "readings.db", "config/server.toml"} {
		m.Files = append(m.Files, File{Name: name, Size: int64(len(body)), SHA256: hex.EncodeToString(sum[:])})
	}
	for _, compress := range []bool{false, true} {
		var b bytes.Buffer
		require.NoError(f, Write(&b, m, compress, nil, func(File) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(body)), nil }))
		f.Add(b.Bytes())
		f.Add(b.Bytes()[:b.Len()/2])
	}
	f.Add([]byte("age-encryption.org/v1\n-> X25519 x\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var held int64
		m, err := Read(bytes.NewReader(b), nil, func(Manifest) error { return nil }, func(_ File, r io.Reader) error {
			n, err := io.Copy(io.Discard, io.LimitReader(r, 1<<24))
			held += n
			return err
		})
		if err == nil {
			require.Equal(t, m.Bytes(), held)
			require.NoError(t, m.Check())
		}
	})
}
