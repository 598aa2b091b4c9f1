package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

// Desk is what the operator can do with the running gateway.
type Desk interface {
	Send(ctx context.Context, to, text string, p message.Precedence) (id string, err error)
	Quiet(ctx context.Context, link string) error
	Resume(ctx context.Context, link string) error
	QuietLinks() []string
	Block(ctx context.Context, pattern, why string) error
	Unblock(ctx context.Context, pattern string) error
	Blocks() []desk.Block
	Links() []desk.LinkState
}

// What the commands ask, as JSON.
type (
	// SendRequest asks for a message of the operator's own.
	SendRequest struct {
		To         string             `json:"to"`
		Text       string             `json:"text"`
		Precedence message.Precedence `json:"precedence,omitempty"`
	}
	// LinkRequest names a link, or all.
	LinkRequest struct {
		Link string `json:"link"`
	}
	// BlockRequest names whom to block, and why.
	BlockRequest struct {
		Pattern string `json:"pattern"`
		Why     string `json:"why,omitempty"`
	}
	// Answer is what comes back.
	Answer struct {
		ID     string       `json:"id,omitempty"`
		Quiet  []string     `json:"quiet,omitempty"`
		Blocks []desk.Block `json:"blocks,omitempty"`
		Error  string       `json:"error,omitempty"`
		Rule   string       `json:"rule,omitempty"` // the refusal code
	}
)

// maxRequest bounds one request body.
const maxRequest = 64 << 10

// control is what the socket serves.
func control(d Desk) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /send", handle(func(ctx context.Context, q SendRequest) (Answer, error) {
		id, err := d.Send(ctx, q.To, q.Text, q.Precedence)
		return Answer{ID: id}, err
	}))
	mux.HandleFunc("POST /quiet", handle(func(ctx context.Context, q LinkRequest) (Answer, error) {
		err := d.Quiet(ctx, q.Link)
		return Answer{Quiet: d.QuietLinks()}, err
	}))
	mux.HandleFunc("POST /resume", handle(func(ctx context.Context, q LinkRequest) (Answer, error) {
		err := d.Resume(ctx, q.Link)
		return Answer{Quiet: d.QuietLinks()}, err
	}))
	mux.HandleFunc("POST /block", handle(func(ctx context.Context, q BlockRequest) (Answer, error) {
		return Answer{}, d.Block(ctx, q.Pattern, q.Why)
	}))
	mux.HandleFunc("POST /unblock", handle(func(ctx context.Context, q BlockRequest) (Answer, error) {
		return Answer{}, d.Unblock(ctx, q.Pattern)
	}))
	mux.HandleFunc("POST /blocks", handle(func(context.Context, struct{}) (Answer, error) {
		return Answer{Blocks: d.Blocks()}, nil
	}))
	return mux
}

// handle reads a request, does it, and writes the answer or the error.
func handle[Q any](do func(context.Context, Q) (Answer, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var q Q
		dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxRequest))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&q); err != nil {
			write(w, http.StatusBadRequest, Answer{Error: "the request is not readable: " + err.Error()})
			return
		}
		a, err := do(r.Context(), q)
		var refused *desk.Refused
		switch {
		case err == nil:
			write(w, http.StatusOK, a)
		case errors.As(err, &refused):
			write(w, http.StatusUnprocessableEntity, Answer{Error: err.Error(), Rule: refused.Code})
		case errors.Is(err, desk.ErrUsage):
			write(w, http.StatusBadRequest, Answer{Error: err.Error()})
		default:
			write(w, http.StatusInternalServerError, Answer{Error: err.Error()})
		}
	}
}

func write(w http.ResponseWriter, code int, a Answer) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	json.NewEncoder(w).Encode(a) // the client may be gone: nobody left to tell
}
