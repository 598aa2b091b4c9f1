// Package desk has the requests of the operator and the gateway's answers, as plain
// values: in JSON for machines and, by their methods, in words for people. Package bridge
// carries them out, adapters/web transports them.
package desk
