package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"posthouse/bridge/desk"
)

// Desk is what the operator can do with the running gateway. by, and the By of a value, name
// the operator, for the log.
type Desk interface {
	Send(ctx context.Context, d desk.Draft) (id string, err error)
	Quiet(ctx context.Context, link, by string) error
	Resume(ctx context.Context, link, by string) error
	QuietLinks() []string
	Block(ctx context.Context, pattern, why, by string) error
	Unblock(ctx context.Context, pattern, by string) error
	Blocks() []desk.Block
	Links() []desk.LinkState

	Queue(ctx context.Context, most int, each func(desk.Row) error) error
	Waiting() int
	Story(ctx context.Context, id string) (desk.Story, error)
	Order(ctx context.Context, o desk.Order) (desk.Story, error)
	OrderRestored(ctx context.Context, o desk.Order) (n int, err error)
	Log(ctx context.Context, span desk.Span, steps bool, each func(desk.Line) error) error
	Recent(ctx context.Context, n int) ([]desk.Line, error)
	Stations() []desk.Station
	Day() []desk.Slot
	Exercise() desk.Exercise
	StartExercise(ctx context.Context, name, by string) (desk.Exercise, error)
	StopExercise(ctx context.Context, by string) (desk.Exercise, error)
	Station() string
}

// What the commands ask, as JSON.
type (
	// LinkRequest names a link, or all.
	LinkRequest struct {
		Link string `json:"link"`
	}
	// BlockRequest names whom to block, and why.
	BlockRequest struct {
		Pattern string `json:"pattern"`
		Why     string `json:"why,omitempty"`
	}
	// MessageRequest names a message.
	MessageRequest struct {
		ID string `json:"id"`
	}
	// QueueRequest asks for what waits: Most deliveries, 0 for all.
	QueueRequest struct {
		Most int `json:"most,omitempty"`
	}
	// LogRequest asks for the station log of a span.
	LogRequest struct {
		desk.Span
		Steps bool `json:"steps,omitempty"`
	}
	// ExerciseRequest names an exercise.
	ExerciseRequest struct {
		Name string `json:"name"`
	}
	// Answer is what comes back.
	Answer struct {
		ID       string         `json:"id,omitempty"`
		Quiet    []string       `json:"quiet,omitempty"`
		Blocks   []desk.Block   `json:"blocks,omitempty"`
		Story    *desk.Story    `json:"story,omitempty"`
		Messages *int           `json:"messages,omitempty"` // how many an order was carried out with
		Exercise *desk.Exercise `json:"exercise,omitempty"`
		Error    string         `json:"error,omitempty"`
		Rule     string         `json:"rule,omitempty"` // the refusal code
	}
)

// maxRequest bounds one request body.
const maxRequest = 64 << 10

// control is what the socket serves.
func control(d Desk) *http.ServeMux {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /send", handle(func(ctx context.Context, q desk.Draft, by string) (Answer, error) {
		q.By = by
		id, err := d.Send(ctx, q)
		return Answer{ID: id}, err
	}))
	mux.HandleFunc("POST /quiet", handle(func(ctx context.Context, q LinkRequest, by string) (Answer, error) {
		err := d.Quiet(ctx, q.Link, by)
		return Answer{Quiet: d.QuietLinks()}, err
	}))
	mux.HandleFunc("POST /resume", handle(func(ctx context.Context, q LinkRequest, by string) (Answer, error) {
		err := d.Resume(ctx, q.Link, by)
		return Answer{Quiet: d.QuietLinks()}, err
	}))
	mux.HandleFunc("POST /block", handle(func(ctx context.Context, q BlockRequest, by string) (Answer, error) {
		return Answer{}, d.Block(ctx, q.Pattern, q.Why, by)
	}))
	mux.HandleFunc("POST /unblock", handle(func(ctx context.Context, q BlockRequest, by string) (Answer, error) {
		return Answer{}, d.Unblock(ctx, q.Pattern, by)
	}))
	mux.HandleFunc("POST /blocks", handle(func(context.Context, struct{}, string) (Answer, error) {
		return Answer{Blocks: d.Blocks()}, nil
	}))
	mux.HandleFunc("POST /show", handle(func(ctx context.Context, q MessageRequest, _ string) (Answer, error) {
		story, err := d.Story(ctx, q.ID)
		return Answer{Story: &story}, err
	}))
	mux.HandleFunc("POST /order", handle(func(ctx context.Context, q desk.Order, by string) (Answer, error) {
		q.By = by
		if q.ID == desk.AllRestored {
			n, err := d.OrderRestored(ctx, q)
			return Answer{Messages: &n}, err
		}
		story, err := d.Order(ctx, q)
		return Answer{Story: &story}, err
	}))
	mux.HandleFunc("POST /exercise", handle(func(context.Context, struct{}, string) (Answer, error) {
		e := d.Exercise()
		return Answer{Exercise: &e}, nil
	}))
	mux.HandleFunc("POST /exercise/start", handle(func(ctx context.Context, q ExerciseRequest, by string) (Answer, error) {
		e, err := d.StartExercise(ctx, q.Name, by)
		return Answer{Exercise: &e}, err
	}))
	mux.HandleFunc("POST /exercise/stop", handle(func(ctx context.Context, _ struct{}, by string) (Answer, error) {
		e, err := d.StopExercise(ctx, by)
		return Answer{Exercise: &e}, err
	}))
	lists(mux, d)
	return mux
}

// handle reads a request, carries it out in the name of the asker, and writes the answer or
// the error.
func handle[Q any](do func(ctx context.Context, q Q, by string) (Answer, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		q, ok := read[Q](w, r)
		if !ok {
			return
		}
		a, err := do(r.Context(), q, asker(r))
		if err != nil {
			writeError(w, err)
			return
		}
		write(w, http.StatusOK, a)
	}
}

// read reads a request; when that fails it has answered already.
func read[Q any](w http.ResponseWriter, r *http.Request) (q Q, ok bool) {
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxRequest))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&q); err != nil {
		why := "the request is not readable: " + err.Error()
		if big := new(http.MaxBytesError); errors.As(err, &big) {
			why = fmt.Sprintf("that is too long: a request may have %d bytes", big.Limit)
		}
		write(w, http.StatusBadRequest, Answer{Error: why})
		return q, false
	}
	return q, true
}

// writeError writes an error; the status says its kind.
func writeError(w http.ResponseWriter, err error) {
	a, code := Answer{Error: err.Error()}, http.StatusInternalServerError
	var refused *desk.Refused
	switch {
	case errors.As(err, &refused):
		a.Rule, code = refused.Code, http.StatusUnprocessableEntity
	case errors.Is(err, desk.ErrUsage):
		code = http.StatusBadRequest
	case errors.Is(err, desk.ErrUnknown):
		code = http.StatusNotFound
	}
	write(w, code, a)
}

func write(w http.ResponseWriter, code int, a Answer) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	json.NewEncoder(w).Encode(a) // the client may be gone: nobody left to tell
}
