// Command deb builds the Debian package that its nfpm.yaml describes. It is a
// module of its own, so that posthouse does not depend on what only packages need.
package main

import (
	"fmt"
	"os"

	"github.com/goreleaser/nfpm/v2"
	_ "github.com/goreleaser/nfpm/v2/deb" // the one format that is wanted
)

func main() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "usage: deb NFPM.YAML PACKAGE.deb")
		os.Exit(64)
	}
	if err := build(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, "deb:", err)
		os.Exit(1)
	}
}

// build writes the package. Variables of the environment ($VERSION, $ARCH) are
// put in where the description names them; SOURCE_DATE_EPOCH dates every file.
func build(description, target string) (err error) {
	config, err := nfpm.ParseFile(description)
	if err != nil {
		return fmt.Errorf("reading %s: %w", description, err)
	}
	info, err := config.Get("deb")
	if err != nil {
		return err
	}
	info = nfpm.WithDefaults(info)
	if err := nfpm.PrepareForPackager(info, "deb"); err != nil {
		return fmt.Errorf("what %s names: %w", description, err)
	}
	packager, err := nfpm.Get("deb")
	if err != nil {
		return err
	}
	file, err := os.Create(target)
	if err != nil {
		return err
	}
	defer func() {
		if closed := file.Close(); err == nil {
			err = closed
		}
		if err != nil {
			os.Remove(target) // half a package is none
		}
	}()
	return packager.Package(info, file)
}
