package metrics

import "slices"

const (
	other  = "other" // stands for every word that is not listed
	noLink = "none"  // of the gateway itself, or of a message that found no link yet
)

// Results are what can come of a delivery: retried counts tries that failed for
// now, passed those that another gateway took over, the others are final.
var Results = []string{"delivered", "sent", "passed", "retried", "expired", "failed", "dropped", "taken"}

// DropReasons are the words for frames that did not become messages, as the
// adapters count them.
var DropReasons = []string{
	"unreadable", "malformed", "too-large", "line-too-long", "overflow", "retained", "smtp", // what it is
	"echo", "bulletin", "not-to-be-gated", "not-asked-for", // not for us
	"addressee-not-heard", "addressee-on-network", "sender-heard-by-radio",
	"no-callsign", "not-text", "too-long", "looks-encrypted", "third-party", "not-allowed", "blocked", "looped", // refused before accept could be asked
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
