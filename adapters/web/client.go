package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"path/filepath"
)

// ErrUnreachable says that no daemon answers on the control socket.
var ErrUnreachable = errors.New("the daemon is not reachable")

// ErrRefused and ErrRequest tell why the daemon said no.
var (
	ErrRefused = errors.New("refused by a rule")
	ErrRequest = errors.New("not possible")
)

// Ask sends a command to the daemon of a data folder and gives its answer.
func Ask(ctx context.Context, dataDir, command string, request any) (Answer, error) {
	path := filepath.Join(dataDir, SocketName)
	client := http.Client{Timeout: 2 * requestTime, Transport: &http.Transport{
		DisableKeepAlives: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			var d net.Dialer
			return d.DialContext(ctx, "unix", path)
		},
	}}
	body, err := json.Marshal(request)
	if err != nil {
		return Answer{}, err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://localhost/"+command, bytes.NewReader(body))
	if err != nil {
		return Answer{}, err
	}
	resp, err := client.Do(r)
	if err != nil {
		return Answer{}, fmt.Errorf("%w at %s: start it with 'posthouse run', or set POSTHOUSE_DATA_DIR to its folder (%w)", ErrUnreachable, path, err)
	}
	defer resp.Body.Close()
	var a Answer
	if err := json.NewDecoder(io.LimitReader(resp.Body, 16<<20)).Decode(&a); err != nil {
		return Answer{}, fmt.Errorf("the daemon's answer is not readable: %w", err)
	}
	switch resp.StatusCode {
	case http.StatusOK:
		return a, nil
	case http.StatusUnprocessableEntity:
		return a, fmt.Errorf("%w: %s", ErrRefused, a.Error)
	case http.StatusBadRequest:
		return a, fmt.Errorf("%w: %s", ErrRequest, a.Error)
	}
	return a, errors.New(a.Error)
}
