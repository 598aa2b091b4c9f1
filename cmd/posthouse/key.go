package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/callsign"
)

type keyCmd struct {
	Out      string `required:"" placeholder:"FILE" help:"Where the private key goes, readable by its owner alone. An existing file is never touched."`
	Callsign string `placeholder:"N0CALL-10" help:"The gateway's call sign with SSID; POSTHOUSE_CALLSIGN where it is not given."`
}

// Run makes a signing key and prints the public half, the line for the trust
// files of the others.
func (c keyCmd) Run(s streams, environ env) error {
	call, err := c.call(environ)
	if err != nil {
		return fail(exitUsage, err)
	}
	key, err := envelope.MakeKey()
	if err != nil {
		return fail(exitSoftware, err)
	}
	file, err := key.PEM()
	if err != nil {
		return fail(exitSoftware, err)
	}
	if err := writeSecret(c.Out, file); err != nil {
		return err
	}
	_, err = fmt.Fprintln(s.out, key.Public().JWK(call))
	return fail(exitDisk, err)
}

// call is the call sign that the key is for.
func (c keyCmd) call(environ env) (string, error) {
	const variable = "POSTHOUSE_CALLSIGN"
	name, given := "--callsign", c.Callsign
	for _, line := range environ {
		if value, ok := strings.CutPrefix(line, variable+"="); ok && c.Callsign == "" {
			name, given = variable, value
		}
	}
	if given == "" {
		return "", fmt.Errorf("whose key is it? Write --callsign with your own call sign and SSID, or set %s", variable)
	}
	call, err := callsign.Parse(given)
	if err != nil {
		return "", fmt.Errorf("%s is %q: %w; write your own call sign with SSID, such as N0CALL-10", name, given, err)
	}
	if call.Base == callsign.Placeholder {
		return "", fmt.Errorf("%s is %s, which stands for a call sign: write your own", name, call)
	}
	return call.String(), nil
}

// writeSecret makes a file that only its owner may read, and syncs it. It overwrites
// nothing: a lost key cannot be restored, and every other gateway would have to trust the
// new one.
func writeSecret(name string, content []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fail(exitUsage, fmt.Errorf("%s is there already and was left as it is: choose another name, or move it away", name))
	}
	if err != nil {
		return fail(exitDisk, fmt.Errorf("making the key file: %w", err))
	}
	_, err = f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		err = errors.Join(fmt.Errorf("writing the key file: %w", err), os.Remove(name)) // half a key is none
	}
	return fail(exitDisk, err)
}
