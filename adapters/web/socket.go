package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"
)

// SocketName is the control socket's name in the data folder.
const SocketName = "control.sock"

// maxSocketPath is what a socket's address holds (unix(7), sun_path less its NUL).
const maxSocketPath = 107

const requestTime = 10 * time.Second

// ListenControl binds the control socket in the data folder. Call it only while
// holding the store's lock: a socket that is there then was left by a daemon
// that is gone, and is removed.
func ListenControl(dataDir string) (net.Listener, error) {
	path := filepath.Join(dataDir, SocketName)
	if len(path) > maxSocketPath {
		return nil, fmt.Errorf("control socket: %s is longer than the %d bytes that a socket's path may have; choose a shorter POSTHOUSE_DATA_DIR", path, maxSocketPath)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("removing the control socket of an earlier run: %w", err)
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(fmt.Errorf("control socket: %w", err), l.Close())
	}
	return ownUserOnly{l}, nil
}

// ServeControl serves the control socket until ctx ends, and closes it. backup
// writes a backup of the gateway.
func ServeControl(ctx context.Context, l net.Listener, d Desk, backup func(context.Context, io.Writer) error, log *slog.Logger) {
	mux := control(d)
	mux.HandleFunc("POST /backup", sendBackup(backup, log))
	serve(ctx, l, mux, log)
}

// serve runs an HTTP server with tight limits until ctx ends.
func serve(ctx context.Context, l net.Listener, h http.Handler, log *slog.Logger) {
	s := &http.Server{
		Handler: h, ReadTimeout: requestTime, WriteTimeout: requestTime, IdleTimeout: requestTime,
		ReadHeaderTimeout: requestTime / 2, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug), ConnContext: withPeer,
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		<-ctx.Done()
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if s.Shutdown(stop) != nil {
			s.Close()
		}
	}()
	if err := s.Serve(l); err != nil && !errors.Is(err, http.ErrServerClosed) {
		log.Error("serving failed", "address", l.Addr().String(), "err", err)
		return
	}
	<-done
}

// ownUserOnly turns away everybody but root and the daemon's own user, whatever
// the folder's mode lets through.
type ownUserOnly struct{ net.Listener }

func (o ownUserOnly) Accept() (net.Conn, error) {
	for {
		c, err := o.Listener.Accept()
		if err != nil {
			return nil, err
		}
		uid, err := peerUID(c.(*net.UnixConn))
		if err == nil && (uid == 0 || uid == os.Getuid()) {
			return &peerConn{c, uid}, nil
		}
		c.Close()
	}
}
