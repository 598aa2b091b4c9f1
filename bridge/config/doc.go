// Package config turns the environment into checked settings.
//
// The structs in vars.go are the table of variables: Load reads by it, check
// judges by it, and Init, Reference and Settings print it, so none of them can
// drift from the others. A variable's name is its field's name in words
// (HTTPListen is POSTHOUSE_HTTP_LISTEN); its description, default and allowed
// words are the field's tags.
//
// Load is pure: it reads only the environment that it is given and the files that this
// names. That is why the package has its own decoder: the usual libraries read the
// process's environment, stop at the first error, repeat the value (a password) in it, and
// silently ignore a misspelt name.
//
// Load finds all errors in one run and always returns a Config that can be printed, with
// defaults where a value was wrong. Call HasErrors before running with it.
package config
