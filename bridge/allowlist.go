package bridge

import (
	"iter"

	"posthouse/bridge/config"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
)

// Who may write to radio by mail without being asked: the allow lists of the mail links.

// allowList yields the allow lists of all mail links.
func allowList(cfg *config.Config) iter.Seq[config.Allow] {
	return func(yield func(config.Allow) bool) {
		for _, l := range cfg.Links {
			if l.Mail == nil {
				continue
			}
			for _, a := range l.Mail.Allow {
				if !yield(a) {
					return
				}
			}
		}
	}
}

func allows(a config.Allow, from string) bool {
	p, err := rules.ParsePattern(a.Pattern)
	return err == nil && p.Match(from)
}

func isListed(cfg *config.Config, from string) bool {
	for a := range allowList(cfg) {
		if allows(a, from) {
			return true
		}
	}
	return false
}

// isAnswerOnly tells whether a mail's writer may only answer a station. Of a mail that
// came in at another gateway that one has judged.
func isAnswerOnly(cfg *config.Config, m *message.Message) bool {
	return message.IsMail(m.From) && m.SenderCall == "" && m.TrunkID == "" && !isListed(cfg, m.From)
}
