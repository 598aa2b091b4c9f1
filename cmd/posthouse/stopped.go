package main

import (
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// errStopped ends a command that was told to stop, once it has cleared away its secrets.
var errStopped = fail(exitUnavailable, errors.New("stopped, nothing was changed"))

// untilStopped ends when somebody wants the command to stop. A second time ends the command
// at once.
func untilStopped() (ctx context.Context, end func()) {
	ctx, end = signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, end)
	return ctx, end
}

// stoppable reads until ctx ends.
type stoppable struct {
	io.Reader
	ctx context.Context
}

func (s stoppable) Read(b []byte) (int, error) {
	if s.ctx.Err() != nil {
		return 0, errStopped
	}
	return s.Reader.Read(b)
}
