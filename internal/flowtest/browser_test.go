package flowtest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// see opens Now in a real Chromium, signed in as anybody would be, and waits until
// it shows a value beside a label.
func (l *line) see(label, value string) error {
	path, err := exec.LookPath("chromium")
	require.NoError(l.t, err, "the browser Chromium is missing: install Debian's package chromium (.ci/test does)")
	token, err := os.ReadFile(filepath.Join(l.dir, "data", "access-token"))
	require.NoError(l.t, err)

	alloc, cancel := chromedp.NewExecAllocator(context.Background(), chromedp.ExecPath(path), chromedp.UserDataDir(l.t.TempDir()),
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun, chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))
	defer cancel()
	ctx, stop := chromedp.NewContext(alloc)
	defer stop()
	ctx, end := context.WithTimeout(ctx, time.Minute)
	defer end()
	// Without signing in there is only the door.
	if err := chromedp.Do(ctx, chromedp.Navigate(l.url("/now")),
		chromedp.SendKeys("input[name=token]", strings.TrimSpace(string(token))), chromedp.Click("form button")); err != nil {
		return err
	}
	text := ""
	for until := time.Now().Add(20 * time.Second); time.Now().Before(until); time.Sleep(250 * time.Millisecond) {
		if text, err = chromedp.Run(ctx, chromedp.Evaluate[string](`document.body.innerText`)); err != nil {
			return err
		}
		for rest := text; ; {
			_, after, found := strings.Cut(rest, label)
			if !found {
				break
			}
			if strings.HasPrefix(strings.Join(strings.Fields(after), " "), value) {
				return nil
			}
			rest = after
		}
	}
	return fmt.Errorf("Now does not show %s %s; it shows: %.600s", label, value, text)
}
