package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"posthouse/bridge/desk"
)

// Lists are streamed, a JSON line for each row, so that neither side keeps them
// in memory. The last line tells that all of it is there.

// item is one line of a stream: a row, or the end of it.
type item[T any] struct {
	Row   *T     `json:"row,omitempty"`
	End   *End   `json:"end,omitempty"`
	Error string `json:"error,omitempty"`
}

// End is what a list says at its end.
type End struct {
	Waiting int    `json:"waiting,omitempty"` // open deliveries in all
	Station string `json:"station,omitempty"` // the gateway's call sign
}

// readerTime is how long a reader may stop reading, as in a pager.
const readerTime = time.Hour

// lists adds the commands that answer with a list.
func lists(mux *http.ServeMux, d Desk) {
	end := func() End { return End{Waiting: d.Waiting(), Station: d.Station()} }
	mux.HandleFunc("POST /queue", stream(end, func(ctx context.Context, q QueueRequest, each func(desk.Row) error) error {
		return d.Queue(ctx, q.Most, each)
	}))
	mux.HandleFunc("POST /log", stream(end, func(ctx context.Context, q LogRequest, each func(desk.Line) error) error {
		return d.Log(ctx, q.Span, q.Steps, each)
	}))
	mux.HandleFunc("POST /stations", stream(end, func(_ context.Context, _ struct{}, each func(desk.Station) error) error {
		for _, s := range d.Stations() {
			if err := each(s); err != nil {
				return err
			}
		}
		return nil
	}))
}

// stream reads a request and writes row after row.
func stream[Q, T any](end func() End, list func(context.Context, Q, func(T) error) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		q, ok := read[Q](w, r)
		if !ok {
			return
		}
		w.Header().Set("Content-Type", "application/x-ndjson")
		out, deadline := json.NewEncoder(w), http.NewResponseController(w)
		wait := func() error { return deadline.SetWriteDeadline(time.Now().Add(readerTime)) }
		err := list(r.Context(), q, func(row T) error {
			if err := wait(); err != nil {
				return err
			}
			return out.Encode(item[T]{Row: &row})
		})
		if err != nil {
			out.Encode(item[T]{Error: err.Error()}) // the client may be gone: nobody left to tell
			return
		}
		e := end()
		wait()
		out.Encode(item[T]{End: &e})
	}
}

// errCut says that a list ended before its end.
var errCut = errors.New("the list is not complete")

// List asks the daemon of a data folder for a list and calls each with its rows.
// An error after some rows means that the list is not complete.
func List[T any](ctx context.Context, dataDir, command string, request any, each func(T) error) (End, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	resp, err := post(ctx, dataDir, command, request)
	if err != nil {
		return End{}, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		_, err := answer(resp)
		return End{}, err
	}
	in := json.NewDecoder(resp.Body)
	for {
		var it item[T]
		if err := in.Decode(&it); err != nil {
			return End{}, fmt.Errorf("%w: the daemon stopped in the middle of it (%w)", errCut, err)
		}
		switch {
		case it.Row != nil:
			if err := each(*it.Row); err != nil {
				return End{}, err
			}
		case it.End != nil:
			return *it.End, nil
		default:
			return End{}, fmt.Errorf("%w: %s", errCut, it.Error)
		}
	}
}
