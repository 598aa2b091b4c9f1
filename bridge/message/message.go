// Package message has the one thing that travels through posthouse: a short radio
// message, whatever medium it came from or goes to.
//
// A Message is a plain value. Adapters fill in what they know, accept normalises and
// completes it, and then it does not change any more: what happens to it (tries,
// receipts, failures) is in the queue's record. The package imports nothing of ours.
package message

import (
	"strings"
	"time"
)

// Kind says what a message is about.
type Kind string

// The kinds. Only Text, Receipt and Notice are ever queued.
const (
	Text     Kind = "text"     // somebody's words for somebody else
	Receipt  Kind = "receipt"  // a station took (or refused) a text: Acks, Nak
	Notice   Kind = "notice"   // from the gateway to a writer or operator; never answered
	Position Kind = "position" // where a station is
	Beacon   Kind = "beacon"   // a station was heard, nothing more
	Custody  Kind = "custody"  // a far gateway has taken a message over: From, Acks
)

// Message is one message on its way. Limits are enforced by accept, not here.
type Message struct {
	Kind Kind `cbor:"1,keyasint" json:"kind"`

	// From is who wrote it: a call sign in canonical form (upper case, no SSID for -0), or
	// a mail address. SenderCall is the call sign of a mail writer who is known to be
	// licensed; ThirdParty is set if the writer has no call sign.
	From       string `cbor:"2,keyasint" json:"from"`
	SenderCall string `cbor:"3,keyasint,omitempty" json:"sender_call,omitempty"`
	ThirdParty bool   `cbor:"4,keyasint,omitempty" json:"third_party,omitempty"`

	// To is the addressee: a call sign, a group name or a mail address. Written is what the
	// writer wrote, if that differs (an alias, the gateway's own call sign): in that name
	// the text is acknowledged.
	To      string `cbor:"5,keyasint" json:"to"`
	Written string `cbor:"6,keyasint,omitempty" json:"written,omitempty"`

	// OriginID is the id that the writer's side gave the text. Empty: no acknowledgement is
	// expected.
	OriginID string `cbor:"7,keyasint,omitempty" json:"origin_id,omitempty"`
	// PartIDs are the ids of the other parts if the text came in several: each has to be
	// acknowledged.
	PartIDs []string `cbor:"32,keyasint,omitempty" json:"part_ids,omitempty"`

	Subject string `cbor:"8,keyasint,omitempty" json:"subject,omitempty"` // mail only
	Text    string `cbor:"9,keyasint,omitempty" json:"text,omitempty"`

	// Precedence is what the message gets; Claimed is what its writer asked for, if the
	// gateway has lowered it.
	Precedence Precedence `cbor:"10,keyasint,omitempty" json:"precedence"`
	Claimed    Precedence `cbor:"11,keyasint,omitempty" json:"claimed,omitempty"`

	// Filed is when it was written, in UTC, if the origin gives a plausible time, else when
	// it was accepted. Zero: unknown.
	Filed time.Time `cbor:"12,keyasint,omitempty" json:"filed,omitzero"`

	// Link is the name of the link it came in on, empty for the gateway's own.
	Link string `cbor:"13,keyasint,omitempty" json:"link,omitempty"`
	// Via is the gateway named in the frame as the one that transmitted it.
	Via string `cbor:"14,keyasint,omitempty" json:"via,omitempty"`
	// Encrypted: the medium itself says that the text was encrypted.
	Encrypted bool `cbor:"15,keyasint,omitempty" json:"encrypted,omitempty"`

	SNR  *float64 `cbor:"16,keyasint,omitempty" json:"snr,omitempty"`  // dB
	RSSI *float64 `cbor:"17,keyasint,omitempty" json:"rssi,omitempty"` // dBm

	Where *Where `cbor:"18,keyasint,omitempty" json:"where,omitempty"` // positions

	// Acks is the frame id that a receipt answers; Nak is set when the station
	// refuses the text.
	Acks string `cbor:"19,keyasint,omitempty" json:"acks,omitempty"`
	Nak  bool   `cbor:"20,keyasint,omitempty" json:"nak,omitempty"`

	// Messaging: a position or beacon is of a station that says it takes messages.
	Messaging bool `cbor:"21,keyasint,omitempty" json:"messaging,omitempty"`

	// MailID is the Message-ID of the mail this came from; InReplyTo that of the
	// mail that it answers. Both without angle brackets.
	MailID    string `cbor:"22,keyasint,omitempty" json:"mail_id,omitempty"`
	InReplyTo string `cbor:"23,keyasint,omitempty" json:"in_reply_to,omitempty"`

	// Hops are the gateways that a message has passed, the first one first.
	Hops []string `cbor:"24,keyasint,omitempty" json:"hops,omitempty"`

	// TrunkID is the id of a message from a trunk at the gateway in Via; Mesh is the mesh
	// on which it was first heard.
	TrunkID string `cbor:"26,keyasint,omitempty" json:"trunk_id,omitempty"`
	Mesh    string `cbor:"27,keyasint,omitempty" json:"mesh,omitempty"`

	// Handed: a gateway gave it to this one alone, not to a group. Left is the rest of its
	// lifetime then, 0: unknown. Key is the key with which that gateway signed.
	Handed bool          `cbor:"28,keyasint,omitempty" json:"handed,omitempty"`
	Left   time.Duration `cbor:"-" json:"-"`
	Key    string        `cbor:"29,keyasint,omitempty" json:"key,omitempty"`

	// Operator is who wrote a message of the gateway's own, if known.
	Operator string `cbor:"31,keyasint,omitempty" json:"operator,omitempty"`

	// Result is how a message ended at a far gateway, in a receipt that comes from
	// there: one of the Result constants. Empty: delivered, or with Nak refused.
	Result string `cbor:"30,keyasint,omitempty" json:"result,omitempty"`

	// Exercise is the name of the exercise that the text belongs to; its parts
	// are marked with it. Empty: real traffic.
	Exercise string `cbor:"25,keyasint,omitempty" json:"exercise,omitempty"`

	// Fetched: a mail is from a mailbox. No SMTP client waits for the verdict, so its
	// writer is told of a refusal by mail.
	Fetched bool `cbor:"-" json:"-"`
	// Unfit is why the adapter would refuse it; nil: it would not.
	Unfit *Unfit `cbor:"-" json:"-"`
}

// Unfit is an adapter's own reason to refuse a message: accept refuses it for that, so that
// its writer is told. Code is a refusal code.
type Unfit struct{ Code, Why string }

// What a receipt from a far gateway may say.
const (
	ResultDelivered = "delivered" // the station acknowledged, or the mail server took it
	ResultSent      = "sent"      // transmitted, there is no confirmation
	ResultNak       = "nak"       // the station refused it
	ResultExpired   = "expired"   // its lifetime ended
	ResultFailed    = "failed"    // for good, with the reason
	ResultDropped   = "dropped"   // by the far operator
)

// Where is a position on the earth, WGS 84.
type Where struct {
	Lat       float64   `cbor:"1,keyasint" json:"lat"`                           // degrees, north positive
	Lon       float64   `cbor:"2,keyasint" json:"lon"`                           // degrees, east positive
	Alt       *float64  `cbor:"3,keyasint,omitempty" json:"alt,omitempty"`       // metres above mean sea level
	Time      time.Time `cbor:"4,keyasint,omitempty" json:"time,omitzero"`       // when it was there; zero: now
	Ambiguity int       `cbor:"5,keyasint,omitempty" json:"ambiguity,omitempty"` // 0..4, APRS Protocol Reference 1.0.1 chapter 6
	Comment   string    `cbor:"6,keyasint,omitempty" json:"comment,omitempty"`
}

// IsMail tells whether an address is a mail address and not a call sign or a
// group: those never contain an @.
func IsMail(address string) bool { return strings.Contains(address, "@") }

// Replyable is the name in which a text is acknowledged: what its writer wrote
// as the addressee.
func (m *Message) Replyable() string {
	if m.Written != "" {
		return m.Written
	}
	return m.To
}
