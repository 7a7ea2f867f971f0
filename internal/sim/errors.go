package sim

import (
	"fmt"
	"strings"
)

// unknown says that a word is not known and which words are.
func unknown(what, word string, known []string) error {
	return fmt.Errorf("unknown %s %q: the simulated mill knows %s", what, word, strings.Join(known, ", "))
}
