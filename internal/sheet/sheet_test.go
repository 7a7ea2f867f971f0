package sheet_test

import (
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/sheet"
)

func TestRows(t *testing.T) {
	r := sheet.NewReader("t.csv", strings.NewReader("\xef\xbb\xbfa,b\r\n\" x\",2,3\r\n , \r\n"))
	row, err := r.Read()
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, row)
	row, err = r.Read()
	require.NoError(t, err)
	require.Len(t, row, 3)
	require.Equal(t, "t.csv:2:6", r.At(1))
	require.EqualError(t, r.Errorf(1, "%s is odd", row[1]), "t.csv:2:6: 2 is odd")
	require.False(t, sheet.Blank(row))
	row, err = r.Read()
	require.NoError(t, err)
	require.True(t, sheet.Blank(row))
	_, err = r.Read()
	require.ErrorIs(t, err, io.EOF)
}

func TestWrongQuotesHaveAPlace(t *testing.T) {
	for text, place := range map[string]string{"a\n4\"5\n": "t.csv:2:2: ", "a\n\"45\n": "t.csv:"} {
		r := sheet.NewReader("t.csv", strings.NewReader(text))
		_, err := r.Read()
		require.NoError(t, err)
		_, err = r.Read()
		require.ErrorContains(t, err, place)
		require.NotContains(t, err.Error(), "\n")
	}
}

func TestFaultyFile(t *testing.T) {
	r := sheet.NewReader("t.csv", io.MultiReader(strings.NewReader("a,b\n1,"), faulty{}))
	_, err := r.Read()
	require.NoError(t, err)
	_, err = r.Read()
	require.ErrorContains(t, err, "t.csv: cannot be read")
}

type faulty struct{}

func (faulty) Read([]byte) (int, error) { return 0, errors.New("the card is gone") }
