package mail

import (
	"context"
	"log/slog"
	"strings"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// intake takes mails over for the bridge, whichever way they came: by the SMTP
// server or out of a mailbox.
type intake struct {
	o    Options
	log  *slog.Logger
	host link.Host
	// ctx is the one for Accept: it outlives the stop signal a little, so that a
	// mail that is being committed gets its 250.
	ctx context.Context
}

// handOver hands one mail, whose From is true, to the bridge.
func (in *intake) handOver(m *incoming, to []string) error {
	texts := make([]message.Message, 0, len(to))
	for _, station := range to {
		who, ok := in.o.permitted(m.from, station)
		if !ok {
			return refuse(link.CodeNotAllowed, "%s may not write to %s here", m.from, station)
		}
		text := who.message(in.o.Name, station)
		m.fill(&text)
		texts = append(texts, text)
	}
	return in.accept(texts)
}

// accept takes all texts over or none: a mail has one answer, so what one
// recipient would refuse is refused for all before anything is stored.
func (in *intake) accept(texts []message.Message) error {
	for _, text := range texts {
		if len(texts) == 1 {
			break // Accept's own verdict is the whole answer
		}
		if v := in.host.Judge(text); v.Refused() {
			return refuse(v.Code, "%s: %s (so nothing was taken over for %s)", text.To, v.Why, names(texts))
		}
	}
	verdicts, err := in.host.Accept(in.ctx, texts...)
	if err != nil {
		in.log.Warn("mail not stored", "err", err)
		return reply(452, 4, 3, 1, "the store does not take it now, try again later")
	}
	var taken []message.Message
	var refused *refusal
	for i, v := range verdicts {
		switch {
		case !v.Refused():
			taken = append(taken, texts[i])
			in.log.Debug("mail taken over", "id", v.ID, "to", texts[i].To, "duplicate", v.Duplicate)
		case refused == nil:
			refused = &refusal{v.Code, texts[i].To + ": " + v.Why, true}
		}
	}
	if refused == nil {
		return nil
	}
	if len(taken) > 0 { // only what changed between Judge and Accept
		refused.why += " (taken over for " + names(taken) + ")"
	}
	return refused
}

func names(texts []message.Message) string {
	var to []string
	for _, text := range texts {
		to = append(to, text.To)
	}
	return strings.Join(to, ", ")
}

// message begins a text of this writer to a station.
func (w writer) message(linkName, station string) message.Message {
	return message.Message{
		Kind: message.Text, Link: linkName,
		From: w.address, SenderCall: w.call, ThirdParty: w.call == "",
		To: station,
	}
}
