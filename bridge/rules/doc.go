// Package rules says what may leave the gateway: lawful, readable, and within
// what the operator allows. Each rule is one file with its code, its reason and
// the regulation it serves; rules.go is the list, in order. First refusal wins.
//
// The package is pure: no I/O, no clock (time is passed in), and nothing it is
// given is changed. It promises that a text which passes Check is valid,
// visible text for every reader. It cannot promise that a text hides no
// meaning: LooksEncrypted knows ciphertext by its look, with the error rates
// that README.md gives. The national rules remain the operator's duty.
package rules
