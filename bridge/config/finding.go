package config

// Level says how bad a finding is.
type Level string

// An error keeps the gateway from running, a warning does not.
const (
	Error   Level = "error"
	Warning Level = "warning"
)

// Finding is one thing that is wrong with the settings: where, why, and what to
// write instead. It never holds a secret.
type Finding struct {
	Variable string // POSTHOUSE_...; or a file's name with the line, FILE:LINE
	Problem  string
	Advice   string
	Level    Level
}

// String gives the finding in one line, for people.
func (f Finding) String() string {
	s := string(f.Level) + ": " + f.Variable + " " + f.Problem
	if f.Advice != "" {
		s += "; " + f.Advice
	}
	return s
}

// HasErrors tells whether a finding keeps the gateway from running.
func HasErrors(findings []Finding) bool {
	for _, f := range findings {
		if f.Level == Error {
			return true
		}
	}
	return false
}
