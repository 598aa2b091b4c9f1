package main

import (
	"errors"
	"io"
	"sync"
)

// output is where a command writes. It keeps the first error, so that a command fails if
// its output was lost, as on a full disk.
type output struct {
	io.Writer

	mu  sync.Mutex
	err error
}

func (o *output) Write(b []byte) (int, error) {
	n, err := o.Writer.Write(b)
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.err == nil {
		o.err = err
	}
	return n, err
}

// verdict is the error that a command ends with: its own, if it has one.
func (o *output) verdict(err error) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if _, own := errors.AsType[*failure](err); own || o.err == nil {
		return err
	}
	return fail(exitDisk, o.err)
}
