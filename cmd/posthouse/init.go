package main

import (
	"bytes"
	"fmt"
	"strings"

	"posthouse/bridge/config"
)

type initCmd struct {
	Callsign string `required:"" placeholder:"N0CALL-10" help:"The gateway's call sign with SSID."`
	Links    string `required:"" placeholder:"valley:mesh,aprs:aprs,post:mail" help:"The links, NAME:KIND each; the kinds are mesh, trunk, aprs and mail."`
}

// Run prints the environment file.
func (c initCmd) Run(s streams) error {
	links, err := config.ParseLinkSpecs(c.Links)
	if err != nil {
		return fail(exitUsage, fmt.Errorf("--links: %w", err))
	}
	var b bytes.Buffer
	if err := config.Init(&b, c.Callsign, links); err != nil {
		return fail(exitUsage, err)
	}
	_, err = b.WriteTo(s.out)
	return fail(exitDisk, err)
}

func upper(name string) string { return strings.ToUpper(name) }
