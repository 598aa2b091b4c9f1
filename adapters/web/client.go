package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
)

// ErrUnreachable says that no daemon answers on the control socket.
var ErrUnreachable = errors.New("the daemon is not reachable")

// ErrRefused, ErrRequest and ErrUnknown tell why the daemon said no; the text is
// the daemon's own.
var (
	ErrRefused = errors.New("refused by a rule")
	ErrRequest = errors.New("not possible")
	ErrUnknown = errors.New("no such message")
)

// said is an error of the daemon, of one of the kinds above.
type said struct {
	text string
	kind error
}

func (s *said) Error() string { return s.text }
func (s *said) Unwrap() error { return s.kind }

// Ask sends a command to the daemon of a data folder and gives its answer.
func Ask(ctx context.Context, dataDir, command string, request any) (Answer, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*requestTime)
	defer cancel()
	resp, err := post(ctx, dataDir, command, request)
	if err != nil {
		return Answer{}, err
	}
	defer resp.Body.Close()
	return answer(resp)
}

// post sends a command; the answer's body is still to be read and closed.
func post(ctx context.Context, dataDir, command string, request any) (*http.Response, error) {
	path := filepath.Join(dataDir, SocketName)
	client := http.Client{Transport: &http.Transport{
		DisableKeepAlives:     true,
		ResponseHeaderTimeout: 2 * requestTime,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			var d net.Dialer
			return d.DialContext(ctx, "unix", path)
		},
	}}
	body, err := json.Marshal(request)
	if err != nil {
		return nil, err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://localhost/"+command, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	if behalf := os.Getenv("SUDO_USER"); loginName.MatchString(behalf) {
		r.Header.Set(behalfHeader, behalf)
	}
	resp, err := client.Do(r)
	if errors.Is(err, fs.ErrPermission) {
		return nil, fmt.Errorf("%w: you may not use %s; run the command as the daemon's user ('sudo ph' does), or as root", ErrUnreachable, path)
	}
	if failed, ok := errors.AsType[*url.Error](err); ok { // of HTTP a person need not know
		err = failed.Err
	}
	if err != nil {
		return nil, fmt.Errorf("%w at %s: start it with 'posthouse run' (restart it, if it runs), or say where it runs: "+
			"'sudo ph' in place of 'posthouse' for the package's own, else POSTHOUSE_DATA_DIR (%w)", ErrUnreachable, path, err)
	}
	return resp, nil
}

// answer reads an answer in one piece.
func answer(resp *http.Response) (Answer, error) {
	var a Answer
	if err := json.NewDecoder(io.LimitReader(resp.Body, 16<<20)).Decode(&a); err != nil {
		return Answer{}, fmt.Errorf("the daemon's answer is not readable: %w", err)
	}
	switch resp.StatusCode {
	case http.StatusOK:
		return a, nil
	case http.StatusUnprocessableEntity:
		return a, &said{a.Error, ErrRefused}
	case http.StatusBadRequest:
		return a, &said{a.Error, ErrRequest}
	case http.StatusNotFound:
		return a, &said{a.Error, ErrUnknown}
	case http.StatusServiceUnavailable:
		return a, &said{a.Error, ErrUnreachable}
	}
	return a, errors.New(a.Error)
}
