package web

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"time"
)

// backupPatience is how long the other side of a backup may take nothing: while
// one is made, the queue's file grows.
const backupPatience = 30 * time.Second

// sendBackup streams a backup to whoever asks: it is written by the command, as
// its user, and not by the daemon. What goes wrong in the middle is told in the
// trailer (RFC 9110 section 6.5).
func sendBackup(backup func(context.Context, io.Writer) error, log *slog.Logger) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if _, ok := read[struct{}](w, r); !ok {
			return
		}
		w.Header().Set("Trailer", errorTrailer)
		out := &patient{w: w, deadline: http.NewResponseController(w)}
		err := backup(r.Context(), out)
		switch {
		case err == nil:
			log.Info("backup handed out", "by", asker(r), "bytes", out.n)
		case out.n == 0:
			writeError(w, err)
		default:
			log.Error("a backup broke off", "by", asker(r), "err", err)
			w.Header().Set(errorTrailer, oneLine(err.Error()))
		}
	}
}

const errorTrailer = "Posthouse-Error"

// oneLine makes a text fit into a header.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// patient gives each write its time.
type patient struct {
	w        io.Writer
	deadline *http.ResponseController
	n        int64
}

func (p *patient) Write(b []byte) (int, error) {
	if err := p.deadline.SetWriteDeadline(time.Now().Add(backupPatience)); err != nil {
		return 0, err
	}
	n, err := p.w.Write(b)
	p.n += int64(n)
	return n, err
}

// Backup has the daemon of a data folder make a backup, and writes it to w.
func Backup(ctx context.Context, dataDir string, w io.Writer) error {
	resp, err := post(ctx, dataDir, "backup", struct{}{})
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		_, err := answer(resp)
		return err
	}
	if _, err := io.Copy(w, resp.Body); err != nil {
		return fmt.Errorf("the backup broke off (the daemon's log may say why): %w", err)
	}
	if why := resp.Trailer.Get(errorTrailer); why != "" {
		return fmt.Errorf("the backup broke off: %s", why)
	}
	return nil
}
