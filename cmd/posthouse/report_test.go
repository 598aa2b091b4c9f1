package main

import (
	"io/fs"
	"strings"
	"testing"
)

// 'ph' runs as the gateway's user, who may not write into anybody's home.
func TestReportThatMayNotBeWrittenSaysHowElse(t *testing.T) {
	err := byShell(&fs.PathError{Op: "open", Path: "report.html", Err: fs.ErrPermission})
	if !strings.Contains(err.Error(), "report.html") || !strings.Contains(err.Error(), "> FILE") {
		t.Error(err)
	}
	if err := byShell(nil); err != nil {
		t.Error(err)
	}
}
