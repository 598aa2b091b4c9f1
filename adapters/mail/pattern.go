package mail

import (
	"regexp"
	"sync"
)

// pattern is a regular expression that is compiled when it is first needed: a start
// has no time for those of mails, and many a gateway has no mail.
func pattern(expr string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(expr) })
}
