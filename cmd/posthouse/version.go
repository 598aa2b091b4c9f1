package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

// version and commit are set when packages are built.
var (
	version = "dev"
	commit  = ""
)

type versionCmd struct{}

// Run prints what this program is.
func (versionCmd) Run(s streams) error {
	v, c := build()
	fmt.Fprintf(s.out, "posthouse %s (commit %s, %s %s/%s)\n", v, c, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return nil
}

// build returns version and commit, from Go's build info if none were set.
func build() (v, c string) {
	v, c = version, commit
	info, ok := debug.ReadBuildInfo()
	for i := 0; ok && c == "" && i < len(info.Settings); i++ {
		if info.Settings[i].Key == "vcs.revision" {
			c = info.Settings[i].Value[:min(12, len(info.Settings[i].Value))]
		}
	}
	if c == "" {
		c = "unknown"
	}
	return v, c
}
