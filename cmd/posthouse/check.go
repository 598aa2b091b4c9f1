package main

import (
	"fmt"
	"io"
	"time"

	"posthouse/adapters"
	"posthouse/bridge/config"
)

type checkCmd struct {
	Connect bool          `help:"Try the network, too: names, brokers, APRS-IS, mail servers. It disturbs no running gateway."`
	Within  time.Duration `default:"20s" help:"How long that may take at most."`
}

// Run prints the settings in force, and a line for each finding.
func (c checkCmd) Run(s streams, environ env) error {
	if c.Within <= 0 {
		return fail(exitUsage, fmt.Errorf("--within %v: write a duration above zero, such as 20s", c.Within))
	}
	cfg, findings := config.Load(environ, hooks())
	findings = append(findings, missingKinds(cfg)...)
	printSettings(s.out, cfg)
	for _, f := range findings {
		fmt.Fprintln(s.out, f)
	}
	if config.HasErrors(findings) {
		return fail(exitConfig, fmt.Errorf("%s; the gateway will not start like this", count(findings)))
	}
	fmt.Fprintln(s.out, "The settings are right.")
	if c.Connect {
		return tryNetwork(s.out, cfg, c.Within)
	}
	return nil
}

// load reads the settings for a command that needs them without errors.
func load(environ env) (*config.Config, []config.Finding, error) {
	cfg, findings := config.Load(environ, hooks())
	findings = append(findings, missingKinds(cfg)...)
	if !config.HasErrors(findings) {
		return cfg, findings, nil
	}
	text := ""
	for _, f := range findings {
		if f.Level == config.Error {
			text += "\n  " + f.String()
		}
	}
	return cfg, findings, fail(exitConfig, fmt.Errorf("the settings are not right ('posthouse check' shows all):%s", text))
}

// missingKinds finds links of a kind that this program cannot serve.
func missingKinds(cfg *config.Config) []config.Finding {
	var out []config.Finding
	for _, l := range cfg.Links {
		if l.Kind != "" && !adapters.Has(l.Kind) {
			out = append(out, config.Finding{
				Variable: config.Prefix + upper(l.Name) + "_KIND", Problem: fmt.Sprintf("is %s, which this version cannot serve yet", l.Kind),
				Advice: "take the link out of POSTHOUSE_LINKS", Level: config.Error,
			})
		}
	}
	return out
}

func count(findings []config.Finding) string {
	n := 0
	for _, f := range findings {
		if f.Level == config.Error {
			n++
		}
	}
	if n == 1 {
		return "1 error"
	}
	return fmt.Sprintf("%d errors", n)
}

// printSettings shows the settings in force; what was not set is marked.
func printSettings(w io.Writer, cfg *config.Config) {
	for _, set := range config.Settings(cfg) {
		mark := ""
		if set.Default {
			mark = "  (default)"
		}
		fmt.Fprintf(w, "%s=%s%s\n", set.Variable, set.Value, mark)
	}
}
