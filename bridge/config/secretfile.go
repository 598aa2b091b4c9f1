package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"reflect"
	"strings"
)

const (
	maxSecret = 4 << 10 // bytes in a file that holds one secret
	maxList   = 1 << 20 // bytes in a file of operators or stations
)

// readSecret fills a secret from NAME or from the file that NAME_FILE names.
// Findings never hold the value.
func (l *loader) readSecret(name string, v variable) {
	plain, path := l.env[name], l.env[name+"_FILE"]
	if plain != "" && path != "" {
		l.fail(name, "and "+name+"_FILE are both set", "keep one of them")
		return
	}
	if path != "" {
		name += "_FILE"
		data, ok := l.readFile(name, path, maxSecret)
		if !ok {
			return
		}
		l.warnIfOpen(name, path)
		plain = strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
		if plain == "" {
			l.fail(name, "names a file that is empty", "write the secret into it, in one line")
			return
		}
	}
	if unreadable(plain, false) {
		l.fail(name, "holds a control character, more than one line, or is not UTF-8", "write the secret in one line")
		return
	}
	v.field.Set(reflect.ValueOf(NewSecret(plain)))
}

// readFile reads a file that a variable names, up to a size.
func (l *loader) readFile(variable, path string, limit int64) ([]byte, bool) {
	data, err := readLimited(path, limit)
	if err != nil {
		l.fail(variable, "names a file that cannot be read: "+err.Error(), "check the path and that the gateway's user may read it")
		return nil, false
	}
	return data, true
}

// readLimited reads a regular file of at most limit bytes; it does not wait for
// a pipe or a device.
func readLimited(path string, limit int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, reason(err)
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("it is not a regular file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, reason(err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, reason(err)
	}
	if int64(len(data)) > limit {
		return nil, fmt.Errorf("it is larger than %d bytes", limit)
	}
	return data, nil
}

// reason leaves the path out of a file error: a password set as the path by
// mistake would be printed.
func reason(err error) error {
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		return e.Err
	}
	return errors.New("unknown error")
}

// warnIfOpen warns of a secret that everybody on the machine can read.
func (l *loader) warnIfOpen(variable, path string) {
	if info, err := os.Stat(path); err == nil && info.Mode().Perm()&0o007 != 0 {
		l.warn(variable, fmt.Sprintf("names a file that everybody on this machine may open (mode %04o)", info.Mode().Perm()), "chmod 600 it")
	}
}
