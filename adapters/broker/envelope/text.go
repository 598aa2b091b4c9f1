package envelope

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"posthouse/bridge/message"
)

// Text is a message on its way, in an inbox or on a group.
type Text struct {
	From       string `json:"from"`
	SenderCall string `json:"sender_call,omitempty"`
	ThirdParty bool   `json:"third_party,omitempty"`

	To      string `json:"to"`
	Written string `json:"written,omitempty"`

	OriginID string `json:"origin_id,omitempty"`
	Subject  string `json:"subject,omitempty"`
	Text     string `json:"text"`

	Precedence message.Precedence `json:"precedence,omitempty"`
	Claimed    message.Precedence `json:"claimed,omitempty"`
	Filed      time.Time          `json:"filed,omitzero"`
	Exercise   string             `json:"exercise,omitempty"`

	MailID    string `json:"mail_id,omitempty"`
	InReplyTo string `json:"in_reply_to,omitempty"`

	// Mesh is the mesh that it was written on; empty when it came from elsewhere.
	Mesh string `json:"mesh,omitempty"`
	// Hops are the gateways that it has passed, the sending one last.
	Hops []string `json:"hops"`
}

// NewText takes from a message what crosses a trunk. The gateway is the one that
// sends it on: it becomes the last of the hops.
func NewText(m *message.Message, mesh, gateway string) Text {
	return Text{
		From: m.From, SenderCall: m.SenderCall, ThirdParty: m.ThirdParty, To: m.To, Written: m.Written,
		OriginID: m.OriginID, Subject: m.Subject, Text: m.Text, Precedence: m.Precedence, Claimed: m.Claimed,
		Filed: m.Filed.UTC(), Exercise: m.Exercise, MailID: m.MailID, InReplyTo: m.InReplyTo,
		Mesh: mesh, Hops: append(slices.Clone(m.Hops), gateway),
	}
}

// Message builds the message again at the far side.
func (t Text) Message() message.Message {
	return message.Message{
		Kind: message.Text,
		From: t.From, SenderCall: t.SenderCall, ThirdParty: t.ThirdParty, To: t.To, Written: t.Written,
		OriginID: t.OriginID, Subject: t.Subject, Text: t.Text, Precedence: t.Precedence, Claimed: t.Claimed,
		Filed: t.Filed.UTC(), Exercise: t.Exercise, MailID: t.MailID, InReplyTo: t.InReplyTo,
		Hops: slices.Clone(t.Hops),
	}
}

// Type is TypeText.
func (Text) Type() string { return TypeText }

func (t Text) check(e *Event) error {
	switch {
	case t.From == "" || t.To == "":
		return errors.New("from or to is missing")
	case t.Mesh != "" && !isMesh(t.Mesh):
		return fmt.Errorf("mesh %q", clip(t.Mesh))
	case len(t.Hops) == 0 || t.Hops[len(t.Hops)-1] != e.Source:
		return errors.New("the sending gateway is not the last of the hops")
	case e.Topic.Kind == InGroup && t.To != e.Topic.Name:
		return fmt.Errorf("to %q on the topic of group %s", clip(t.To), e.Topic.Name)
	}
	for _, h := range t.Hops {
		if !isCall(h) {
			return fmt.Errorf("hop %q is not a call sign", clip(h))
		}
	}
	return e.on(InInbox, InGroup)
}

// Notice is a gateway's own word to a writer, by way of the gateway that took
// the writer's message. It is never answered.
type Notice struct {
	From      string    `json:"from"` // the gateway that says it
	To        string    `json:"to"`
	Text      string    `json:"text"`
	About     string    `json:"about,omitempty"` // event id of the message, at the gateway that gets this
	Subject   string    `json:"subject,omitempty"`
	InReplyTo string    `json:"in_reply_to,omitempty"`
	Filed     time.Time `json:"filed,omitzero"`
}

// NewNotice takes from a message of kind notice what crosses a trunk.
func NewNotice(m *message.Message, about string) Notice {
	return Notice{
		From: m.From, To: m.To, Text: m.Text, About: about,
		Subject: m.Subject, InReplyTo: m.InReplyTo, Filed: m.Filed.UTC(),
	}
}

// Message builds the notice again at the far side; notices are routine.
func (n Notice) Message() message.Message {
	return message.Message{
		Kind: message.Notice, From: n.From, To: n.To, Text: n.Text, Precedence: message.Routine,
		Subject: n.Subject, InReplyTo: n.InReplyTo, Filed: n.Filed.UTC(),
	}
}

// Type is TypeNotice.
func (Notice) Type() string { return TypeNotice }

func (n Notice) check(e *Event) error {
	switch {
	case !isCall(n.From):
		return fmt.Errorf("from %q is not a call sign", clip(n.From))
	case n.To == "":
		return errors.New("to is missing")
	case n.About != "" && !isToken(n.About):
		return fmt.Errorf("about %q is not an id", clip(n.About))
	}
	return e.on(InInbox)
}
