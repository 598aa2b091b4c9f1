package metrics

import "slices"

const (
	other  = "other" // stands for every word that is not listed
	noLink = "none"  // of the gateway itself, or of a message that found no link yet
)

// Results are what can come of a delivery: retried counts tries that failed for
// now, passed those that another gateway took over, the others are final.
var Results = []string{"delivered", "sent", "passed", "retried", "expired", "failed", "dropped", "taken"}

// DropReasons are the words by which the adapters count what did not become a
// message, by the link's kind. A mail link also counts refusal codes: it refuses
// in the dialogue, before there is a message.
var DropReasons = map[string][]string{
	"mesh": {
		"payload-too-large", "empty", "retained", "overflow", "other-topic", "not-utf8", "not-json", "too-deep", "member-twice",
		"wrong-type", "bad-value", "no-from", "bad-position", "bad-login",
	},
	"aprs": {
		"malformed", "line-too-long", "echo", "no-callsign", "third-party", "not-to-be-gated", "bulletin", "query", "telemetry",
		"addressee-not-heard", "addressee-on-network", "sender-heard-by-radio", "not-asked-for",
	},
	"trunk": {
		"overflow", "other-topic", "replay", "clock-skew", "unknown-receipt",
	},
	"mail": {"smtp"},
}

func dropReasons(kind string, codes []string) []string {
	if kind == "mail" {
		return slices.Concat(DropReasons[kind], codes)
	}
	return DropReasons[kind]
}

func dropWords(codes []string) words {
	var all []string
	for kind := range DropReasons {
		all = append(all, dropReasons(kind, codes)...)
	}
	return newWords(all...)
}

// words is a closed set of label values.
type words struct {
	list  []string
	known map[string]bool
}

func newWords(list ...string) words {
	w := words{list: slices.Clone(list), known: make(map[string]bool, len(list))}
	for _, word := range list {
		w.known[word] = true
	}
	return w
}

func linkWords(links []Link) words {
	names := []string{noLink}
	for _, link := range links {
		names = append(names, link.Name)
	}
	return newWords(names...)
}

// fold gives a word of the set: word itself, or other.
func (w words) fold(word string) string {
	if w.known[word] {
		return word
	}
	return other
}
