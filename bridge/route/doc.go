// Package route decides where a message goes: by the operator's routes, by
// where its addressee was heard, by the groups that the links carry. It is
// pure: hearings come with the question, nothing is remembered.
//
// It promises that a link of direction in gets nothing, that a group text never
// goes back to the link or mesh it came from, and that mail is not relayed from
// mail to mail. It leaves to others what a link may carry (package rules).
package route
