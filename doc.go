// Package posthouse holds nothing but the tests of the house's own style: what
// DEVELOPERS.md asks of every package, checked on the source itself. The program
// is cmd/posthouse, the way of a message is package bridge.
package posthouse
