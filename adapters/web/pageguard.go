package web

import (
	"crypto/subtle"
	"net"
	"net/http"
	"net/netip"
	"strings"
)

// guard checks what does not depend on who asks: the Host header is ours, and a browser
// sends forms from our own page only. It sets the headers that protect every answer.
func (p *page) guard(next http.Handler) http.Handler {
	origin := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secure(w.Header())
		if !p.knowsHost(r) {
			http.Error(w, "This is not the host that you asked for. Write the address of POSTHOUSE_HTTP_LISTEN, or localhost.", http.StatusMisdirectedRequest)
			return
		}
		if err := origin.Check(r); err != nil {
			http.Error(w, "This form comes from another site.", http.StatusForbidden)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
		next.ServeHTTP(w, r)
	})
}

// secure sets the security headers of an answer.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
}

// knowsHost tells whether the Host header names this gateway: localhost, the host in the
// settings, or the IP address that the request came to. Another name may be an attack from a
// web site whose DNS points here (DNS rebinding). The port does not matter: it differs behind
// port forwarding.
func (p *page) knowsHost(r *http.Request) bool {
	host := hostOf(r.Host)
	if strings.EqualFold(host, "localhost") || host != "" && strings.EqualFold(host, p.host) {
		return true
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return false
	}
	local, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	return ip.IsLoopback() || local != nil && ip.Unmap() == address(local.String())
}

// hostOf is what stands before the port, without the brackets of IPv6.
func hostOf(hostport string) string {
	if host, _, err := net.SplitHostPort(hostport); err == nil {
		return host
	}
	return strings.Trim(hostport, "[]")
}

// address is the IP address of ADDRESS:PORT; the zero Addr if it has none.
func address(hostport string) netip.Addr {
	a, _ := netip.ParseAddrPort(hostport)
	return a.Addr().Unmap().WithZone("")
}

// forwarding are the headers of a proxy: then a connection from loopback says nothing about
// who asks.
var forwarding = []string{"Forwarded", "Via", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Forwarded-Port", "X-Forwarded-Server", "X-Real-Ip", "X-Client-Ip", "True-Client-Ip", "Cf-Connecting-Ip"}

// mayRead: on loopback everybody, from elsewhere operators only.
func mayRead(r *http.Request, s *session) bool {
	if s != nil {
		return true
	}
	for _, name := range forwarding {
		if len(r.Header.Values(name)) > 0 {
			return false
		}
	}
	return address(r.RemoteAddr).IsLoopback()
}

// reader lets in who may read; s is nil for one who is not logged in.
func (p *page) reader(next func(w http.ResponseWriter, r *http.Request, s *session)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s := p.sessions.of(r)
		if !mayRead(r, s) {
			http.Redirect(w, r, "/login", http.StatusSeeOther)
			return
		}
		next(w, r, s)
	}
}

// operator lets in who is logged in and sends a form of this session's page.
func (p *page) operator(next func(w http.ResponseWriter, r *http.Request, s *session)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s := p.sessions.of(r)
		if s == nil {
			p.showLogin(w, http.StatusForbidden, "That needs a login. Nothing was done.")
			return
		}
		if subtle.ConstantTimeCompare([]byte(r.PostFormValue("token")), []byte(s.token)) != 1 {
			http.Error(w, "This form is not of your session, nothing was done. Go back and reload the page.", http.StatusForbidden)
			return
		}
		next(w, r, s)
	}
}
