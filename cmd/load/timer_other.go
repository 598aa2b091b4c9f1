//go:build !linux

package main

import "time"

type timer struct{}

func newTimer() timer { return timer{} }

func (timer) until(at time.Time) { time.Sleep(time.Until(at)) }
