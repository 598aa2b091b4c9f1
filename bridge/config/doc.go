// Package config turns the environment into checked settings.
//
// The structs in vars.go are the table of variables: Load reads by it, check
// judges by it, and Init, Reference and Settings print it, so none of them can
// drift from the others. A variable's name is its field's name in words
// (HTTPListen is POSTHOUSE_HTTP_LISTEN); its description, default and allowed
// words are the field's tags.
//
// Load is pure: it looks at the environment that it is given and at the files
// that this names, and at nothing else. That is why the package has its own
// decoder instead of an environment library: the usual ones read the process's
// environment, stop at the first fault, repeat the value (a password) in their
// error, and let a misspelt name pass in silence.
//
// Load finds every fault in one run and always returns a usable Config, with
// defaults where a value was wrong, so that it can be printed. Whoever means to
// run on it asks HasErrors first.
package config
