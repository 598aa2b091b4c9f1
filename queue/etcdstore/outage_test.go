//go:build hub

package etcdstore

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	clientv3 "go.etcd.io/etcd/client/v3"

	"posthouse/queue/etcdstore/etcdtest"
)

// TestQuorumLost takes two of three members away for a minute, under load: nothing
// is confirmed meanwhile, reads go on, and in the end what was confirmed is there,
// once, and what nobody knew of is there once or not at all.
func TestQuorumLost(t *testing.T) {
	t.Parallel()
	for _, fault := range []struct {
		what       string
		away, back func(*etcdtest.Cluster, int)
	}{
		{"killed", (*etcdtest.Cluster).Kill, (*etcdtest.Cluster).Up},
		{"stopped", (*etcdtest.Cluster).Freeze, (*etcdtest.Cluster).Thaw},
	} {
		t.Run(fault.what, func(t *testing.T) {
			if fault.what == "killed" && os.Getenv("POSTHOUSE_LONG") != "1" {
				t.Skip("only with POSTHOUSE_LONG=1; TestNoMajority kills, too")
			}
			t.Parallel()
			c := etcdtest.Start(t, 3)
			s := join(t, c, t.TempDir(), "quorum")
			closing(t, s)
			l := burden(t, s, 8)
			l.goesOn("texts are taken over")
			lead := c.Leader()
			for i := range 2 { // the leader and another one
				fault.away(c, (lead+i)%3)
			}
			gone := time.Now()
			pass(t, long(time.Minute, 13*time.Second)) // longer than a writer waits
			if last := l.lastConfirmed(); last.After(gone.Add(time.Second)) {
				t.Errorf("a text was confirmed %v after the majority was gone", last.Sub(gone))
			}
			for i := range 2 {
				fault.back(c, (lead+i)%3)
			}
			back := time.Now()
			l.more(1, "texts are taken over again")
			t.Logf("the first text was taken over %v after the members were back", time.Since(back).Round(time.Millisecond))
			l.goesOn("and go on being so")
			l.settle(s, late(t, c, "quorum"))
		})
	}
}

// late opens a queue for the first time, so that what it has is etcd's word.
func late(t testing.TB, c *etcdtest.Cluster, name string) *Store {
	t.Helper()
	s := join(t, c, t.TempDir(), name)
	closing(t, s)
	return s
}

// TestLeaderKilled kills the leader again and again, under load.
func TestLeaderKilled(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	s := join(t, c, t.TempDir(), "leader")
	closing(t, s)
	l := burden(t, s, 8)
	for range long(20, 2) {
		l.goesOn("texts are taken over")
		lead := c.Leader()
		c.Kill(lead)
		l.goesOn("two of three go on")
		c.Up(lead)
		c.Await(lead)
	}
	l.settle(s, late(t, c, "leader"))
}

// TestLeaderStopped freezes the leader for half a minute: its connections stay,
// and it answers nobody.
func TestLeaderStopped(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	s := join(t, c, t.TempDir(), "frozen")
	closing(t, s)
	l := burden(t, s, 8)
	l.goesOn("texts are taken over")
	lead := c.Leader()
	c.Freeze(lead)
	begun := time.Now()
	l.more(10, "two of three go on") // up to 8 may have been on their way
	t.Logf("with the leader stopped texts are taken over again after %v", time.Since(begun).Round(time.Millisecond))
	pass(t, long(30*time.Second, 3*time.Second)-time.Since(begun))
	c.Thaw(lead)
	l.goesOn("all three go on")
	l.settle(s, late(t, c, "frozen"))
}

// TestOneMemberIsFull: one member of three has less room than the others. Its alarm
// binds all; a text is refused as full until an operator has made room.
func TestOneMemberIsFull(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	c.Kill(2)
	c.Set(2, "--quota-backend-bytes", fmt.Sprint(600<<10))
	c.Up(2)
	c.Await(2)
	s := join(t, c, t.TempDir(), "small")
	closing(t, s)
	l := burden(t, s, 8)
	until(t, "texts are refused as full", func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.errs["full"] > 0
	})
	pass(t, long(time.Minute, 2*time.Second))
	c.Kill(2)
	c.Set(2) // the operator gives it what the others have
	c.Up(2)
	until(t, "the alarm can be disarmed", func() bool {
		_, err := s.client.AlarmDisarm(t.Context(), &clientv3.AlarmMember{})
		return err == nil
	})
	c.Await(2)
	l.goesOn("texts are taken over again")
	l.settle(s, late(t, c, "small"))
}

// TestDiskOfAMemberIsFull: one member of three has a disk without a byte left. It
// ends, the two others go on; with room on its disk it comes back.
func TestDiskOfAMemberIsFull(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t)
	c := etcdtest.Start(t, 3)
	c.Kill(2)
	c.Move(2, disk)
	c.Up(2)
	c.Await(2)
	s := join(t, c, t.TempDir(), "disk")
	closing(t, s)
	l := burden(t, s, 8)
	l.goesOn("texts are taken over")
	filler := filepath.Join(disk, "filler")
	fillUp(t, filler)
	t.Logf("the member ended: %s", c.AwaitEnd(2))
	l.goesOn("the two others go on")
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	c.Up(2)
	c.Await(2)
	l.goesOn("all three go on")
	l.settle(s, late(t, c, "disk"))
}

// smallDisk is a file system of its own in memory; etcd makes two files of 64 MB
// on it before anything is written.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=200m", "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("file systems cannot be mounted here, so no disk is filled: %s", out)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("umount: %v: %s", err, out)
		}
	})
	return dir
}

// fillUp writes a file until the disk has no byte left.
func fillUp(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for piece := make([]byte, 1<<20); len(piece) > 0; {
		if _, err := f.Write(piece); err != nil {
			piece = piece[:len(piece)/2]
		}
	}
}

// TestCompactedAndDefragmentedUnderLoad: history is compacted up to the last
// change, and each member defragmented in turn, while texts come in and the mirror
// of a second process is away again and again. Neither mirror may miss a change.
func TestCompactedAndDefragmentedUnderLoad(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	s := join(t, c, t.TempDir(), "upkeep")
	closing(t, s)
	other, wires := wired(t, c, "upkeep")
	l := burden(t, s, 8)
	filled := 0
	for round := range long(30, 3) {
		l.goesOn("texts are taken over")
		for _, w := range wires {
			w.Cut()
		}
		l.goesOn("texts that the other does not see")
		away := other.follower.position()
		if _, err := s.client.Compact(t.Context(), s.follower.position(), clientv3.WithCompactPhysical()); err != nil {
			t.Fatal(err)
		}
		if s.follower.position() > away {
			filled++
		}
		if _, err := s.client.Defragment(t.Context(), c.Endpoints[round%3]); err != nil {
			t.Fatal(err)
		}
		for _, w := range wires {
			w.Mend()
		}
		until(t, "the other has caught up", func() bool { return other.follower.position() >= s.follower.position()-100 })
	}
	if filled == 0 {
		t.Error("the other was never behind what was compacted")
	}
	l.settle(s, other, late(t, c, "upkeep"))
}
