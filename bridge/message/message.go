// Package message holds the one thing that travels through posthouse: a short
// radio message, whatever medium it came from or goes to.
//
// A Message is a plain value. Adapters fill in what they know, accept
// normalises and completes it, and from then on it does not change: what
// happens to it (tries, receipts, failures) is kept beside it, in the queue's
// record. The package imports nothing of ours.
package message

import (
	"strings"
	"time"
)

// Kind says what a message is about.
type Kind string

// The kinds. Only Text, Receipt and Notice are ever queued; Position and Beacon
// tell where a station is and that it is there.
const (
	Text     Kind = "text"     // somebody's words for somebody else
	Receipt  Kind = "receipt"  // a station took (or refused) a text: Acks, Nak
	Notice   Kind = "notice"   // the gateway's own word to a writer; never answered
	Position Kind = "position" // where a station is
	Beacon   Kind = "beacon"   // a station was heard, nothing more
	Custody  Kind = "custody"  // a far gateway has taken a message over: From, Acks
)

// Message is one message on its way. Limits are enforced by accept, not here.
type Message struct {
	Kind Kind `cbor:"1,keyasint" json:"kind"`

	// From is who wrote it: a call sign in canonical form (upper case, SSID
	// without -0), or a mail address. SenderCall is the call sign of a mail
	// writer who is known to be licensed; ThirdParty is set when the writer has
	// no call sign at all.
	From       string `cbor:"2,keyasint" json:"from"`
	SenderCall string `cbor:"3,keyasint,omitempty" json:"sender_call,omitempty"`
	ThirdParty bool   `cbor:"4,keyasint,omitempty" json:"third_party,omitempty"`

	// To is whom it is for: a call sign, a group name or a mail address.
	// Written is the address as the origin wrote it, when that differs (an
	// alias, the gateway's own call): an acknowledgement is given in that name.
	To      string `cbor:"5,keyasint" json:"to"`
	Written string `cbor:"6,keyasint,omitempty" json:"written,omitempty"`

	// OriginID is the id that the origin's own side gave the text. Empty: the
	// origin does not expect an acknowledgement.
	OriginID string `cbor:"7,keyasint,omitempty" json:"origin_id,omitempty"`
	// PartIDs are those of the other parts, when the text came in several: each
	// is to be acknowledged.
	PartIDs []string `cbor:"32,keyasint,omitempty" json:"part_ids,omitempty"`

	Subject string `cbor:"8,keyasint,omitempty" json:"subject,omitempty"` // mail only
	Text    string `cbor:"9,keyasint,omitempty" json:"text,omitempty"`

	// Precedence is what the message travels with; Claimed is what its writer
	// asked for, kept when the gateway lowered it.
	Precedence Precedence `cbor:"10,keyasint,omitempty" json:"precedence"`
	Claimed    Precedence `cbor:"11,keyasint,omitempty" json:"claimed,omitempty"`

	// Filed is when it was written, in UTC: the origin's word where it gives one
	// and it is believable, else when it was accepted. Zero: not known.
	Filed time.Time `cbor:"12,keyasint,omitempty" json:"filed,omitzero"`

	// Link is the name of the link it came in on, empty for the gateway's own.
	Link string `cbor:"13,keyasint,omitempty" json:"link,omitempty"`
	// Via is the gateway named in the frame as the one that transmitted it.
	Via string `cbor:"14,keyasint,omitempty" json:"via,omitempty"`
	// Encrypted is set when the medium itself says that the text was encrypted.
	Encrypted bool `cbor:"15,keyasint,omitempty" json:"encrypted,omitempty"`

	SNR  *float64 `cbor:"16,keyasint,omitempty" json:"snr,omitempty"`  // dB
	RSSI *float64 `cbor:"17,keyasint,omitempty" json:"rssi,omitempty"` // dBm

	Where *Where `cbor:"18,keyasint,omitempty" json:"where,omitempty"` // positions

	// Acks is the frame id that a receipt answers; Nak is set when the station
	// refuses the text.
	Acks string `cbor:"19,keyasint,omitempty" json:"acks,omitempty"`
	Nak  bool   `cbor:"20,keyasint,omitempty" json:"nak,omitempty"`

	// Messaging is set on a position or beacon of a station that says it takes
	// messages.
	Messaging bool `cbor:"21,keyasint,omitempty" json:"messaging,omitempty"`

	// MailID is the Message-ID of the mail this came from; InReplyTo that of the
	// mail that it answers. Both without angle brackets.
	MailID    string `cbor:"22,keyasint,omitempty" json:"mail_id,omitempty"`
	InReplyTo string `cbor:"23,keyasint,omitempty" json:"in_reply_to,omitempty"`

	// Hops are the gateways that a message has passed, the first one first.
	Hops []string `cbor:"24,keyasint,omitempty" json:"hops,omitempty"`

	// TrunkID is the id that the gateway named in Via gave a message that came by
	// a trunk; Mesh is the mesh on which it was first heard.
	TrunkID string `cbor:"26,keyasint,omitempty" json:"trunk_id,omitempty"`
	Mesh    string `cbor:"27,keyasint,omitempty" json:"mesh,omitempty"`

	// Handed is set when a gateway gave it to this one alone, not to a group. Left
	// is how long it had to live then, 0 when nobody said. Key names the key by
	// which that gateway signed.
	Handed bool          `cbor:"28,keyasint,omitempty" json:"handed,omitempty"`
	Left   time.Duration `cbor:"-" json:"-"`
	Key    string        `cbor:"29,keyasint,omitempty" json:"key,omitempty"`

	// Operator is who wrote a message of the gateway's own, as far as is known.
	Operator string `cbor:"31,keyasint,omitempty" json:"operator,omitempty"`

	// Result is how a message ended at a far gateway, in a receipt that comes from
	// there: one of the Result constants. Empty: delivered, or with Nak refused.
	Result string `cbor:"30,keyasint,omitempty" json:"result,omitempty"`

	// Exercise is the name of the exercise that the text belongs to; its parts
	// are marked with it. Empty: real traffic.
	Exercise string `cbor:"25,keyasint,omitempty" json:"exercise,omitempty"`

	// Fetched is set on a mail out of a mailbox: nobody waits for what accept says,
	// so its writer is told of a refusal in a mail of its own.
	Fetched bool `cbor:"-" json:"-"`
	// Unfit is what the adapter found wrong with it; nil: nothing.
	Unfit *Unfit `cbor:"-" json:"-"`
}

// Unfit is what an adapter itself found wrong with a message: accept refuses it
// with that, so that its writer is told. Code is a refusal code.
type Unfit struct{ Code, Why string }

// What a receipt from a far gateway may say.
const (
	ResultDelivered = "delivered" // the station acknowledged, or the mail server took it
	ResultSent      = "sent"      // transmitted where nobody confirms
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
