package rules

import (
	"fmt"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// expired refuses what is older than its lifetime when it comes in.
var expired = rule{
	code:       link.CodeExpired,
	regulation: "good practice: stale traffic misleads",
	broken: func(m *message.Message, p *Policy) string {
		if p.Lifetime <= 0 || p.Now.IsZero() || m.Filed.IsZero() {
			return ""
		}
		if p.Now.Sub(m.Filed) > p.Lifetime {
			return fmt.Sprintf("older than %v", p.Lifetime)
		}
		return ""
	},
}
