// Package dovecottest runs a real Dovecot IMAP server for tests: as root, on
// the loopback and a free port, with TLS, one mailbox, and a configuration and
// folders of its own that end with the test.
package dovecottest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"posthouse/adapters/realtest"
)

// The one account.
const (
	User     = "gateway"
	Password = "club-secret"
)

// Dovecot is one server. It ends with the test.
type Dovecot struct {
	Addr string // 127.0.0.1:port, implicit TLS

	t      testing.TB
	dir    string
	letter int
	cmd    *exec.Cmd
}

// Start starts a server with a certificate and its key (PEM files), or skips the
// test for want of one.
func Start(t testing.TB, cert, key string) *Dovecot {
	t.Helper()
	path := realtest.Program(t, "dovecot", "dovecot-imapd")
	if os.Geteuid() != 0 {
		realtest.Missing(t, "Dovecot only runs as root here")
	}
	dir, err := os.MkdirTemp("", "dovecottest-") // its users cannot enter testing.TB's
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	d := &Dovecot{Addr: realtest.FreeAddress(t), t: t, dir: dir}
	d.configure(cert, key)
	d.run(path)
	return d
}

// configure writes dovecot.conf (Dovecot 2.3, doc.dovecot.org/settings/core) and
// the folder for mail.
func (d *Dovecot) configure(cert, key string) {
	d.t.Helper()
	_, port, _ := net.SplitHostPort(d.Addr)
	conf := fmt.Sprintf(`
base_dir = %[1]s/run
state_dir = %[1]s/state
log_path = %[1]s/log
listen = 127.0.0.1
protocols = imap
ssl = required
ssl_cert = <%[3]s
ssl_key = <%[4]s
service imap-login {
  inet_listener imap {
    port = 0
  }
  inet_listener imaps {
    port = %[2]s
    ssl = yes
  }
}
passdb {
  driver = passwd-file
  args = scheme=PLAIN %[1]s/users
}
userdb {
  driver = static
  args = uid=mail gid=mail home=%[1]s/home
}
mail_location = maildir:%[1]s/home/Maildir
first_valid_uid = 1
first_valid_gid = 1
`, d.dir, port, cert, key)
	d.write("dovecot.conf", conf)
	d.write("users", User+":"+Password+"\n")
	for _, name := range []string{"home", "home/Maildir", "home/Maildir/new", "home/Maildir/cur", "home/Maildir/tmp"} {
		path := filepath.Join(d.dir, name)
		if err := os.MkdirAll(path, 0o777); err != nil {
			d.t.Fatal(err)
		}
		if err := os.Chmod(path, 0o777); err != nil { // whatever the umask: the server runs as mail
			d.t.Fatal(err)
		}
	}
}

func (d *Dovecot) write(name, text string) {
	d.t.Helper()
	path := filepath.Join(d.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		d.t.Fatal(err)
	}
	if err := os.Chmod(path, 0o644); err != nil {
		d.t.Fatal(err)
	}
}

// run starts the server and waits until it greets.
func (d *Dovecot) run(path string) {
	d.t.Helper()
	d.cmd = exec.Command(path, "-F", "-c", filepath.Join(d.dir, "dovecot.conf"))
	d.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGTERM}
	if err := d.cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(d.stop)
	if err := realtest.Listening(d.Addr); err != nil {
		log, _ := os.ReadFile(filepath.Join(d.dir, "log"))
		d.t.Fatalf("Dovecot does not listen on %s: %v\n%s", d.Addr, err, log)
	}
}

func (d *Dovecot) stop() {
	d.cmd.Process.Signal(syscall.SIGTERM)
	ended := make(chan struct{})
	go func() { d.cmd.Wait(); close(ended) }()
	select {
	case <-ended:
	case <-time.After(realtest.Patience):
		d.cmd.Process.Kill()
		<-ended
	}
}

// Deliver puts a mail into the mailbox, as a mail server does
// (cr.yp.to/proto/maildir.html: written to tmp, renamed to new).
func (d *Dovecot) Deliver(mail string) {
	d.t.Helper()
	d.letter++
	name := fmt.Sprintf("%d.%d.test", time.Now().UnixNano(), d.letter)
	from, to := filepath.Join(d.dir, "home/Maildir/tmp", name), filepath.Join(d.dir, "home/Maildir/new", name)
	if err := os.WriteFile(from, []byte(mail), 0o666); err != nil {
		d.t.Fatal(err)
	}
	if err := os.Chmod(from, 0o666); err != nil {
		d.t.Fatal(err)
	}
	if err := os.Rename(from, to); err != nil {
		d.t.Fatal(err)
	}
}

// Protect makes the mailbox one that can only be read.
func (d *Dovecot) Protect() {
	d.t.Helper()
	if err := os.Chmod(filepath.Join(d.dir, "home/Maildir/cur"), 0o555); err != nil {
		d.t.Fatal(err)
	}
}

// Marks gives the flags of each mail in the mailbox as Maildir has them, in the
// order of delivery: S for seen, F for flagged; "new" for what nobody has read.
func (d *Dovecot) Marks() []string {
	d.t.Helper()
	var marks []string
	for _, folder := range []string{"cur", "new"} {
		entries, err := os.ReadDir(filepath.Join(d.dir, "home/Maildir", folder))
		if err != nil {
			d.t.Fatal(err)
		}
		for _, e := range entries {
			_, flags, ok := strings.Cut(e.Name(), ":2,")
			if !ok {
				flags = "new"
			}
			marks = append(marks, flags)
		}
	}
	return marks
}

// Doveadm has the server's own program do something to the mailbox (doveadm(1)), with
// a text as its input.
func (d *Dovecot) Doveadm(input string, args ...string) {
	d.t.Helper()
	cmd := exec.Command(realtest.Program(d.t, "doveadm", "dovecot-core"), append([]string{"-c", filepath.Join(d.dir, "dovecot.conf")}, args...)...)
	cmd.Stdin = strings.NewReader(input)
	if out, err := cmd.CombinedOutput(); err != nil {
		d.t.Fatalf("doveadm %v: %v\n%s", args, err, out)
	}
}
