//go:build !linux

package main

import "errors"

func deviceWritten(string) int64 { return 0 }

func forget(string) error { return errors.New("only Linux drops a file's pages on request") }
