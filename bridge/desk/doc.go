// Package desk holds what the gateway and its operator say to each other: what
// a command orders, and what it is shown. They are plain values, the same in
// JSON for machines and, by their methods, in words for people; what they mean
// is done by package bridge, and where they travel is up to adapters/web.
package desk
