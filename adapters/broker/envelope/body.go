package envelope

import (
	"encoding/json"
	"errors"
	"fmt"
)

// The types of events, CloudEvents' type attribute. A change that an older
// reader would misunderstand gets a new number.
const (
	TypeText     = "posthouse.text.v1"
	TypeNotice   = "posthouse.notice.v1"
	TypeReceipt  = "posthouse.receipt.v1"
	TypeCustody  = "posthouse.custody.v1"
	TypePosition = "posthouse.position.v1"
	TypePresence = "posthouse.presence.v1"
	TypeHeard    = "posthouse.heard.v1"
	TypeTaken    = "posthouse.taken.v1"
)

// Body is what an event says, a value of one of this package's types.
type Body interface {
	// Type is the CloudEvents type.
	Type() string
	// check holds the body to its limits and to the event around it.
	check(e *Event) error
}

// readers read the data of each type.
var readers = map[string]func(json.RawMessage) (Body, error){
	TypeText: read[Text], TypeNotice: read[Notice], TypeReceipt: read[Receipt], TypeCustody: read[Custody],
	TypePosition: read[Position], TypePresence: read[Presence], TypeHeard: read[Heard], TypeTaken: read[Taken],
}

func decodeBody(kind string, data json.RawMessage) (Body, error) {
	reader := readers[kind]
	if reader == nil {
		return nil, fmt.Errorf("%w: %q", ErrUnknown, clip(kind))
	}
	if len(data) == 0 || data[0] != '{' {
		return nil, errors.New("data is not an object")
	}
	return reader(data)
}

func read[B Body](data json.RawMessage) (Body, error) {
	var b B
	if err := json.Unmarshal(data, &b); err != nil {
		return nil, fmt.Errorf("%s: %w", b.Type(), err)
	}
	return b, nil
}

// on tells that an event's topic is of one of the kinds.
func (e *Event) on(kinds ...TopicKind) error {
	for _, k := range kinds {
		if e.Topic.Kind == k {
			return nil
		}
	}
	return fmt.Errorf("does not belong on a topic of kind %q", e.Topic.Kind)
}

// byItsWriter tells that a state is signed by the one gateway that may write it.
func (e *Event) byItsWriter(kind TopicKind) error {
	if err := e.on(kind); err != nil {
		return err
	}
	if e.Topic.Gateway != e.Source {
		return fmt.Errorf("%w: %s writes the topic of %s", ErrSource, e.Source, e.Topic.Gateway)
	}
	return nil
}
