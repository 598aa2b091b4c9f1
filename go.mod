module posthouse

go 1.26.0

require (
	github.com/alecthomas/kong v1.17.0 // indirect
	github.com/coreos/go-systemd/v22 v22.7.0 // indirect
	github.com/eclipse/paho.mqtt.golang v1.5.1 // indirect
	github.com/emersion/go-message v0.18.2 // indirect
	github.com/emersion/go-msgauth v0.7.0 // indirect
	github.com/emersion/go-sasl v0.0.0-20241020182733-b788ff22d5a6 // indirect
	github.com/emersion/go-smtp v0.25.1 // indirect
	github.com/fxamacker/cbor/v2 v2.10.0 // indirect
	github.com/gorilla/websocket v1.5.3 // indirect
	github.com/kelseyhightower/envconfig v1.4.0 // indirect
	github.com/mochi-mqtt/server/v2 v2.7.9 // indirect
	github.com/mozillazg/go-unidecode v0.2.0 // indirect
	github.com/prometheus/client_golang v1.25.0 // indirect
	github.com/rivo/uniseg v0.4.7 // indirect
	github.com/rogpeppe/go-internal v1.16.0 // indirect
	github.com/rs/xid v1.4.0 // indirect
	github.com/x448/float16 v0.8.4 // indirect
	go.etcd.io/bbolt v1.5.0 // indirect
	go.uber.org/goleak v1.3.0 // indirect
	golang.org/x/crypto v0.59.0 // indirect
	golang.org/x/net v0.62.0 // indirect
	golang.org/x/sync v0.25.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	golang.org/x/text v0.44.0 // indirect
	honnef.co/go/tools v0.8.2 // indirect
	pgregory.net/rapid v1.3.0 // indirect
)
