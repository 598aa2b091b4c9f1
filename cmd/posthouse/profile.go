//go:build profile

package main

import (
	"os"
	"os/signal"
	"runtime/pprof"
	"syscall"
)

// Built with -tags profile, the program profiles itself from its start to
// SIGUSR1, and then leaves the CPU profile in the file that CPU_PROFILE names,
// with the allocations beside it. No listener ever offers a profile.
func init() {
	if name := os.Getenv("CPU_PROFILE"); name != "" {
		if err := profileTo(name); err != nil {
			panic(err)
		}
	}
}

func profileTo(name string) error {
	f, err := os.Create(name + ".part")
	if err != nil {
		return err
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		return err
	}
	end := make(chan os.Signal, 1)
	signal.Notify(end, syscall.SIGUSR1)
	go func() {
		<-end
		pprof.StopCPUProfile()
		f.Close()
		if allocs, err := os.Create(name + ".allocs"); err == nil {
			_ = pprof.Lookup("allocs").WriteTo(allocs, 0) // a profile that is cut short says so when it is read
			allocs.Close()
		}
		_ = os.Rename(name+".part", name) // whoever waits for it sees it only now
	}()
	return nil
}
