package mail

import "crypto/tls"

func serverTLS(c tls.Certificate) *tls.Config {
	return &tls.Config{Certificates: []tls.Certificate{c}}
}
