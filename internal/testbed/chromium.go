package testbed

import (
	"os"
	"os/exec"
	"testing"
)

// ChromiumVariable names the environment variable with the path of the browser
// that tests are to use.
const ChromiumVariable = "WITNESSMARK_CHROMIUM"

// Chromium returns the path of a Chromium. Start it with a fresh profile and
// with --headless --no-sandbox --disable-background-networking.
func Chromium(tb testing.TB) string {
	tb.Helper()
	if path := os.Getenv(ChromiumVariable); path != "" {
		if _, err := exec.LookPath(path); err != nil {
			tb.Fatalf("testbed: %s is %q, which cannot be run: %v", ChromiumVariable, path, err)
		}
		return path
	}
	for _, name := range []string{"chromium", "chromium-browser"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	tb.Fatalf("testbed: this test needs Chromium, which is not in PATH: run make prepare, or set %s to its path", ChromiumVariable)
	return ""
}
