//go:build hub

package etcdtest

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// Freeze stops a member as it is: it keeps its connections and answers nobody.
func (c *Cluster) Freeze(i int) { c.signal(i, syscall.SIGSTOP) }

// Thaw has a frozen member go on.
func (c *Cluster) Thaw(i int) { c.signal(i, syscall.SIGCONT) }

func (c *Cluster) signal(i int, sig syscall.Signal) {
	c.t.Helper()
	if err := c.members[i].cmd.Process.Signal(sig); err != nil {
		c.t.Fatal(err)
	}
}

// Pid gives the process of a member that runs.
func (c *Cluster) Pid(i int) int { return c.members[i].cmd.Process.Pid }

// Data is the folder of a member's data.
func (c *Cluster) Data(i int) string { return filepath.Join(c.members[i].dir, "data") }

// Move brings the data of a member that does not run into another folder.
func (c *Cluster) Move(i int, dir string) {
	c.t.Helper()
	if err := os.CopyFS(filepath.Join(dir, "data"), os.DirFS(c.Data(i))); err != nil {
		c.t.Fatal(err)
	}
	c.members[i].dir = dir
}

// Set gives a member that does not run options of its own, behind those of all.
func (c *Cluster) Set(i int, options ...string) { c.members[i].options = options }

// AwaitEnd waits until a member has ended by itself, and gives the end of its log.
func (c *Cluster) AwaitEnd(i int) string {
	c.t.Helper()
	m := c.members[i]
	late := time.AfterFunc(patience, func() { _ = m.cmd.Process.Kill() })
	_ = m.cmd.Wait() // whatever its status is
	if !late.Stop() {
		c.t.Errorf("etcd goes on:\n%s", m.lastWords())
	}
	m.cmd = nil
	return m.lastWords()
}

// Leader tells which member leads; it waits until one does.
func (c *Cluster) Leader() int {
	c.t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		for i, m := range c.members {
			if m.cmd != nil && leads(m.address()) {
				return i
			}
		}
	}
	c.t.Fatal("no member leads")
	return -1
}

// leads asks a member by etcd's own JSON gateway.
func leads(addr string) bool {
	client := http.Client{Timeout: time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Post("http://"+addr+"/v3/maintenance/status", "application/json", strings.NewReader("{}"))
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	var is struct {
		Header struct {
			Member string `json:"member_id"`
		}
		Leader string
	}
	return json.NewDecoder(resp.Body).Decode(&is) == nil && is.Leader != "" && is.Leader == is.Header.Member
}
