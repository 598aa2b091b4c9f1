package deploy_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const unit = "systemd/posthouse.service"

// 1.5 of 10 is what the project allows itself; systemd calls up to 2 "OK".
func TestUnitIsHardlyExposed(t *testing.T) {
	needs(t, "systemd-analyze")
	t.Log(command(t, "systemd-analyze", "security", "--no-pager", "--offline=true", "--threshold=15", "./"+unit))
}

func TestSystemdUnderstandsUnitAndSecrets(t *testing.T) {
	needs(t, "systemd-analyze")
	dir := t.TempDir()
	// systemd wants the programs to be there, and on this machine they are not.
	there := strings.NewReplacer("/usr/bin/posthouse", "/bin/true", "/bin/kill", "/bin/true").Replace(read(t, unit))
	copied := filepath.Join(dir, "posthouse.service")
	write(t, copied, there)
	if err := os.Mkdir(copied+".d", 0o700); err != nil {
		t.Fatal(err)
	}
	write(t, copied+".d/secrets.conf", read(t, "systemd/secrets.conf"))
	if said := command(t, "systemd-analyze", "verify", "--man=no", copied); said != "" {
		t.Errorf("systemd says:\n%s", said)
	}
	write(t, copied+".d/wrong.conf", "[Service]\nLoadCredentials=x:/y\n")
	if said := command(t, "systemd-analyze", "verify", "--man=no", copied); !strings.Contains(said, "LoadCredentials") {
		t.Errorf("systemd does not look at what stands beside the unit; it says:\n%s", said)
	}
}

// The exit codes that the program has for what a restart cannot mend.
func TestUnitLeavesWrongSettingsToAPerson(t *testing.T) {
	text := read(t, unit)
	for _, want := range []string{"\nRestart=on-failure\n", "\nRestartPreventExitStatus=64 78\n", "\nType=notify\n", "\nStateDirectory=posthouse\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("the unit lacks %q", strings.TrimSpace(want))
		}
	}
}

// A gateway that may not ask the kernel whether the clock is set trusts no clock.
// ProtectClock= forbids adjtimex(2), and so does @privileged in a system call
// filter, unless a later line allows it again (systemd.exec(5)).
func TestUnitLetsTheClockBeAsked(t *testing.T) {
	text := read(t, unit)
	if strings.Contains(text, "\nProtectClock=") {
		t.Error("the unit protects the clock from being read")
	}
	deny, allow := strings.LastIndex(text, "\nSystemCallFilter=~"), strings.LastIndex(text, "\nSystemCallFilter=adjtimex ")
	if deny < 0 || allow < deny {
		t.Errorf("no filter allows adjtimex behind the last that denies (at %d and %d)", allow, deny)
	}
}
