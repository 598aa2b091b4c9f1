package deploy_test

import (
	"bufio"
	"bytes"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"
)

// machine is a folder that dpkg takes for a whole machine: maintainer scripts
// run with DPKG_ROOT (dpkg(1), --force-script-chrootless), so nothing outside of
// it is touched.
type machine struct {
	t    *testing.T
	root string
}

func newMachine(t *testing.T) machine {
	t.Helper()
	needs(t, "dpkg")
	needs(t, "systemd-sysusers")
	if os.Getuid() != 0 {
		t.Skip("only root can install packages")
	}
	m := machine{t, t.TempDir()}
	for _, dir := range []string{"var/lib/dpkg/info", "var/lib/dpkg/updates", "var/lib/dpkg/triggers", "etc"} {
		if err := os.MkdirAll(m.path(dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write(t, m.path("var/lib/dpkg/status"), "")
	return m
}

func (m machine) path(name string) string { return filepath.Join(m.root, name) }

// dpkg installs, removes or purges; what the package depends on is not in the
// folder but on the machine around it.
func (m machine) dpkg(args ...string) string {
	m.t.Helper()
	return command(m.t, "dpkg", append([]string{"--root=" + m.root, "--log=/dev/null", "--force-script-chrootless", "--force-depends"}, args...)...)
}

func (m machine) has(name string, want os.FileMode) {
	m.t.Helper()
	info, err := os.Stat(m.path(name))
	if err != nil {
		m.t.Fatal(err)
	}
	if info.Mode().Perm() != want {
		m.t.Errorf("%s has mode %v, want %v", name, info.Mode().Perm(), want)
	}
}

func (m machine) lacks(name string) {
	m.t.Helper()
	if _, err := os.Lstat(m.path(name)); !os.IsNotExist(err) {
		m.t.Errorf("%s is still there (%v)", name, err)
	}
}

// posthouse makes a command of the installed program, with the settings as the
// unit would hand them over.
func (m machine) posthouse(args ...string) *exec.Cmd {
	m.t.Helper()
	c := exec.Command(m.path("usr/bin/posthouse"), args...)
	c.Env = []string{"STATE_DIRECTORY=" + m.path("var/lib/posthouse")}
	for line := range strings.Lines(read(m.t, m.path("etc/posthouse/environment"))) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			c.Env = append(c.Env, line)
		}
	}
	return c
}

// running does something while the daemon runs, and then stops it.
func (m machine) running(do func()) {
	m.t.Helper()
	notify := m.path("notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: notify, Net: "unixgram"})
	if err != nil {
		m.t.Fatal(err)
	}
	defer os.Remove(notify)
	defer conn.Close()
	var log bytes.Buffer
	d := m.posthouse("run")
	d.Env = append(d.Env, "NOTIFY_SOCKET="+notify)
	d.Stderr = &log
	if err := d.Start(); err != nil {
		m.t.Fatal(err)
	}
	defer func() {
		_ = d.Process.Signal(syscall.SIGTERM) // Wait says if it had ended before
		if err := d.Wait(); err != nil {
			m.t.Errorf("the daemon: %v\n%s", err, &log)
		}
	}()
	if err := conn.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		m.t.Fatal(err)
	}
	if word, err := bufio.NewReader(conn).ReadString('1'); word != "READY=1" {
		m.t.Errorf("the daemon said %q to the service manager (%v)", word, err)
		return
	}
	do()
}

// built makes the package of this machine's architecture.
func built(t *testing.T, version string) string {
	t.Helper()
	if !required {
		t.Skip("building packages takes minutes: POSTHOUSE_REQUIRE_REAL=1 does it")
	}
	arch := map[string]string{"amd64": "amd64", "arm64": "arm64", "arm": "armhf"}[runtime.GOARCH]
	dist := t.TempDir()
	c := exec.Command("./package", arch)
	c.Env = append(os.Environ(), "DIST="+dist, "VERSION="+version, "COMMIT=0123456789ab", "SOURCE_DATE_EPOCH=1700000000")
	t.Log(succeed(t, c))
	return filepath.Join(dist, "posthouse_"+version+"_"+arch+".deb")
}

func TestPackage(t *testing.T) {
	m := newMachine(t)
	first, again, next := built(t, "0.1"), built(t, "0.1"), built(t, "0.2")
	t.Run("the same sources give the same bytes", func(t *testing.T) {
		if read(t, first) != read(t, again) {
			t.Error("two builds differ")
		}
	})
	t.Run("settings and queue outlive upgrade and removal", func(t *testing.T) {
		m.t = t
		installUpgradeRemove(t, m, first, next)
	})
}

func installUpgradeRemove(t *testing.T, m machine, first, next string) {
	t.Log(m.dpkg("--install", first))
	m.has("usr/bin/posthouse", 0o755)
	if info, err := os.Stat(m.path("usr/bin/posthouse")); err != nil || info.Size() >= 20e6 {
		t.Errorf("the program is not below 20 MB: %v (%v)", info, err)
	}
	m.has("usr/sbin/ph", 0o755)
	m.has("usr/share/man/man1/posthouse.1.gz", 0o644)
	m.has("usr/share/bash-completion/completions/posthouse", 0o644)
	m.has("usr/lib/systemd/system/posthouse.service", 0o644)
	m.has("etc/posthouse/environment", 0o640)
	if users := read(t, m.path("etc/passwd")); !strings.Contains(users, "\nposthouse:") && !strings.HasPrefix(users, "posthouse:") {
		t.Errorf("no user posthouse among\n%s", users)
	}
	if out, err := m.posthouse("check").CombinedOutput(); err == nil || !strings.Contains(string(out), "POSTHOUSE_CALLSIGN") {
		t.Errorf("check of the first settings does not ask for the call sign: %v\n%s", err, out)
	}

	settings := "POSTHOUSE_CALLSIGN=N0QRZ-10\nPOSTHOUSE_LINKS=valley\nPOSTHOUSE_HTTP_LISTEN=\nPOSTHOUSE_VALLEY_KIND=mesh\n" +
		"POSTHOUSE_VALLEY_BROKER_LISTEN=127.0.0.1:0\nPOSTHOUSE_VALLEY_OPEN_CHANNEL=yes\n"
	write(t, m.path("etc/posthouse/environment"), settings)
	var id string
	m.running(func() {
		id = strings.TrimSpace(succeed(t, m.posthouse("send", "--to", "N0QRB-9", "--text", "are you there?")))
	})

	t.Log(m.dpkg("--install", next))
	if got := read(t, m.path("etc/posthouse/environment")); got != settings {
		t.Errorf("the upgrade changed the settings:\n%s", got)
	}
	if got := succeed(t, m.posthouse("version")); !strings.HasPrefix(got, "posthouse 0.2 (commit 0123456789ab,") {
		t.Errorf("after the upgrade it is %s", got)
	}
	m.running(func() {
		if list := succeed(t, m.posthouse("queue", "list", "--json")); id == "" || !strings.Contains(list, id) {
			t.Errorf("after the upgrade %q does not wait any more:\n%s", id, list)
		}
	})

	t.Log(m.dpkg("--remove", "posthouse"))
	m.lacks("usr/bin/posthouse")
	m.has("etc/posthouse/environment", 0o640)
	t.Log(m.dpkg("--purge", "posthouse"))
	m.lacks("etc/posthouse/environment")
	if info, err := os.Stat(m.path("var/lib/posthouse/queue.db")); err != nil || info.Size() == 0 {
		t.Errorf("purging took the queue: %v", err)
	}
}
