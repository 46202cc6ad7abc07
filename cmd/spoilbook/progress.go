package main

import (
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// newProgress returns a bar on w, hidden when w is not a terminal so that logs and
// pipes stay clean. total -1 means unknown.
func newProgress(w io.Writer, what string, total int64) *progressbar.ProgressBar {
	file, ok := w.(*os.File)
	visible := ok && term.IsTerminal(int(file.Fd()))
	return progressbar.NewOptions64(total, progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(what),
		progressbar.OptionShowCount(), progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish(),
		progressbar.OptionSetVisibility(visible))
}
