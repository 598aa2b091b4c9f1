package link

import "errors"

// OneByOne offers frames one after the other. After one that has to be offered again it
// offers no other of the same writer to the same addressee: those get the same error. That
// is what Properties.InOrder promises.
func OneByOne(frames []Frame, offer func(Frame) error) []error {
	type way struct{ from, to string }
	errs, stopped := make([]error, len(frames)), map[way]error{}
	for i, f := range frames {
		w := way{f.Message.From, f.Message.To}
		if errs[i] = stopped[w]; errs[i] != nil {
			continue
		}
		errs[i] = offer(f)
		var permanent *PermanentError
		if errs[i] != nil && !errors.As(errs[i], &permanent) {
			stopped[w] = errs[i]
		}
	}
	return errs
}
