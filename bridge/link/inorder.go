package link

import "errors"

// OneByOne offers frames one after the other, and none behind one of the same writer
// to the same addressee that is to be offered again: that is what Properties.InOrder
// promises. Those behind get the error of that one.
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
