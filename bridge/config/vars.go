package config

import (
	"log/slog"
	"net/netip"
	"time"
)

// Config is what one gateway is set up with.
//
// Tags: desc is the sentence for people, default the value when the variable is
// not set (default_KIND for one kind of link, $NAME for the value of the
// gateway-wide variable, <name> for the link's name), oneof the allowed words,
// required that there is no default, empty what an empty value means where it
// differs from "not set", range the least and greatest number, kinds the kinds
// of link that have it, example a value for the file that Init writes, init that
// Init writes it as a setting and not as a comment, userinfo that the value may
// hold a password before an @, multiline that it may have several lines.
type Config struct {
	Callsign         string        `required:"true" init:"true" example:"N0CALL-10" desc:"this gateway's own call sign with SSID; identifies all that it sends"`
	CallsignStarts   []string      `example:"1A,Z6" desc:"prefixes that the ITU has given to nobody, to be accepted as call signs"`
	CallsignLong     bool          `default:"no" desc:"yes to accept call signs with five to eight characters after the digit, as for special events"`
	Links            Links         `required:"true" init:"true" example:"valley,aprs,post" desc:"the links' names, a to z and 0 to 9; each has variables POSTHOUSE_<NAME>_..."`
	DataDir          string        `default:"posthouse-data" desc:"folder of the queue, keys and control socket; under systemd the unit's $STATE_DIRECTORY is the default"`
	Store            string        `default:"bolt" userinfo:"true" desc:"bolt, or etcd://host:port,host:port"`
	HTTPListen       string        `default:"127.0.0.1:8327" empty:"turns it off" desc:"address of the page, /metrics, /healthz and /readyz; empty turns it off"`
	OperatorsFile    string        `example:"/etc/posthouse/operators" desc:"who may act on the page: CALL:hash lines (bcrypt); needed as soon as the page is not on loopback"`
	AlertTo          []string      `example:"N0QRA,duty@county.example" desc:"call signs and mail addresses that are told at once of emergencies and trouble"`
	Aliases          Aliases       `example:"EOC=eoc@county.example,TEAM3=N0QRC-3" desc:"short names that a station may use as addressee, NAME=ADDRESS"`
	Position         Position      `example:"46.5,-122.9" desc:"where the gateway stands: lat,lon in degrees, or a grid square"`
	Country          string        `example:"US" desc:"the gateway's country, two letters of ISO 3166"`
	Exercise         string        `example:"AUTUMN NET" desc:"name of the present exercise; texts of those who take part are marked"`
	ExerciseStations []string      `example:"N0QRA,N0QRB-9" desc:"who takes part in the exercise; without it everybody"`
	Lifetime         time.Duration `default:"24h" desc:"how long delivery of a message is tried"`
	HeardFor         time.Duration `default:"24h" desc:"how long a station counts as reachable on the link where it was last heard"`
	DedupWindow      time.Duration `default:"1h" desc:"how long a repeated message is recognised as a duplicate"`
	KeepLog          time.Duration `default:"8760h" desc:"how long the station log is kept"`
	Routes           []Route       `example:"N0QRA*=far,*@*=post" desc:"fixed routes, PATTERN=LINK; the first match wins, before the list of stations heard"`
	Unheard          string        `default:"hold" desc:"what to do with a text to a call sign that nobody has heard: hold, or the name of a link to try"`
	Block            []string      `example:"N0QRZ,*@spam.example" desc:"call signs and mail addresses that are refused, patterns allowed"`
	Rate             Rate          `default:"20/10m" desc:"messages that one sender may send, COUNT/TIME; more are refused with a notice"`
	LogLevel         slog.Level    `default:"info" oneof:"debug,info,warn,error" desc:"lowest level that is logged on stderr"`
	LogFormat        string        `default:"text" oneof:"text,json" desc:"form of the log: text for people, json for machines"`

	// Operators are what OperatorsFile holds.
	Operators []Operator `ignored:"true"`
}

// Links are the gateway's links in the order in which they are named.
type Links []Link

// The kinds of links.
const (
	KindMesh  = "mesh"
	KindTrunk = "trunk"
	KindAPRS  = "aprs"
	KindMail  = "mail"
)

// Kinds lists the kinds of links.
var Kinds = []string{KindMesh, KindTrunk, KindAPRS, KindMail}

// What the path to a link's broker or server is made of.
const (
	Internet = "internet"
	Amateur  = "amateur" // no encryption, no password in clear
)

// Link is one link. Exactly the one of Mesh, Trunk, APRS and Mail is set that
// belongs to Kind (none when the kind was missing or wrong, which is an error).
type Link struct {
	Name string `ignored:"true"`

	Kind        string        `required:"true" init:"true" oneof:"mesh,trunk,aprs,mail" desc:"what the link is"`
	Medium      string        `default:"internet" oneof:"internet,amateur" desc:"the path to the broker or server; on amateur (HAMNET) TLS and passwords in clear are refused"`
	Direction   string        `default:"both" oneof:"both,in,out" desc:"seen from the gateway: in only receives, out only sends"`
	Groups      []string      `default_mesh:"ALL" default_trunk:"ALL" empty:"no group" example:"ALL,NET1" desc:"names of the groups that cross this link; on aprs they go out as bulletins, on mail to the addresses in GROUP_TO"`
	GroupTo     []string      `kinds:"mail" example:"net@county.example" desc:"mail addresses that get the texts to groups"`
	Lifetime    time.Duration `default:"$LIFETIME" default_mail:"120h" desc:"how long delivery of a message is tried on this link"`
	HeardFor    time.Duration `default:"$HEARD_FOR" default_aprs:"1h" desc:"how long a station counts as reachable where this link heard it"`
	DedupWindow time.Duration `default:"$DEDUP_WINDOW" default_aprs:"45m" desc:"how long a repeated message that comes in here is recognised as a duplicate"`

	Mesh  *Mesh  `kinds:"mesh"`
	Trunk *Trunk `kinds:"trunk"`
	APRS  *APRS  `kinds:"aprs"`
	Mail  *Mail  `kinds:"mail"`
}

// MayReceive tells whether the gateway takes anything from the link.
func (l *Link) MayReceive() bool { return l.Direction != "out" }

// MaySend tells whether the gateway may send on the link. Without a smarthost mail
// only comes in.
func (l *Link) MaySend() bool {
	return l.Direction != "in" && (l.Mail == nil || l.Mail.Smarthost != "")
}

// Once tells whether the link may exist once only, also where several processes
// serve one gateway: it is a login, a transmitter, a broker of its own, a mailbox.
func (l *Link) Once() bool {
	switch l.Kind {
	case KindTrunk:
		return l.Trunk.BrokerListen != ""
	case KindMail:
		return l.Mail.Listen == "" && l.Mail.Smarthost == "" // it only fetches, and of two that fetch one would find the other's mails
	}
	return true
}

// What becomes of a station that is not on a mesh's station list.
const (
	UnknownPass   = "pass" // with a valid call sign
	UnknownLocal  = "local"
	UnknownRefuse = "refuse"
)

// Mesh is a local radio mesh behind an MQTT broker.
type Mesh struct {
	BrokerURL    string `init:"true" userinfo:"true" example:"tcp://127.0.0.1:1883" desc:"the mesh's MQTT broker, tcp:// or ssl://; or set BROKER_LISTEN"`
	BrokerListen string `example:"127.0.0.1:1883" desc:"address on which to run the built-in broker; or set BROKER_URL"`
	Username     string `example:"posthouse" desc:"user name at the broker"`
	Password     Secret `example:"/etc/posthouse/broker.password" desc:"password at the broker"`
	FromTopic    string `default:"<name>/from" desc:"topic to which the mesh's node publishes what it hears"`
	ToTopic      string `default:"<name>/to" desc:"topic on which the mesh's node gets what it is to transmit"`
	Mesh         string `init:"true" example:"<name>" desc:"the mesh's own name, the same at every gateway of that mesh; needed with a trunk"`

	FieldID        string `default:"/id" empty:"not read" desc:"JSON Pointer (RFC 6901) to the text's id"`
	FieldFrom      string `default:"/from" desc:"JSON Pointer to the sender"`
	FieldTo        string `default:"/to" empty:"not read" desc:"JSON Pointer to the addressee"`
	FieldText      string `default:"/text" desc:"JSON Pointer to the text"`
	FieldAck       string `default:"/ack" empty:"not read" desc:"JSON Pointer to the id that is acknowledged"`
	FieldLat       string `default:"/lat" empty:"not read" desc:"JSON Pointer to the latitude in degrees"`
	FieldLon       string `default:"/lon" empty:"not read" desc:"JSON Pointer to the longitude in degrees"`
	FieldAlt       string `default:"/alt" empty:"not read" desc:"JSON Pointer to the altitude in metres"`
	FieldTime      string `default:"/time" empty:"not read" desc:"JSON Pointer to the time (RFC 3339)"`
	FieldVia       string `default:"/via" empty:"not read" desc:"JSON Pointer to the gateway that sent the frame"`
	FieldEncrypted string `default:"/encrypted" empty:"not read" desc:"JSON Pointer to the flag that a text was encrypted; such a text is refused"`
	FieldSNR       string `default:"/snr" empty:"not read" desc:"JSON Pointer to the signal to noise ratio in dB"`
	FieldRSSI      string `default:"/rssi" empty:"not read" desc:"JSON Pointer to the signal strength in dBm"`
	ToTemplate     string `multiline:"true" example:"{\"from\":{{json .From}},\"to\":{{json .To}},\"text\":{{json .Text}},\"via\":{{json .Via}}}" desc:"Go template for what the mesh gets, with the gateway's call sign in it; without it the default JSON"`

	StationsFile string `example:"/etc/posthouse/stations" desc:"file of the stations on this mesh: node id or call sign, call sign, name, what it may do"`
	Unknown      string `default:"pass" oneof:"pass,local,refuse" desc:"stations that are not on the list: pass (with a valid call sign), local (not beyond this mesh) or refuse"`
	// Stations are what StationsFile holds.
	Stations    []Station `ignored:"true"`
	OpenChannel bool      `default:"no" desc:"yes once you have made sure that the mesh's radio channel is not encrypted"`

	MaxBytes int           `default:"140" range:"20,65535" desc:"bytes of text in one frame"`
	MaxParts int           `default:"4" range:"1,99" desc:"most parts of one text"`
	AckWait  time.Duration `default:"90s" desc:"first wait for an acknowledgement, at least three computed round trips; doubled each time"`
	Resends  int           `default:"2" range:"0,20" desc:"how often an unacknowledged text is sent again before it is held; 0: sent once, no acknowledgement is awaited"`
	Charset  string        `default:"utf-8" oneof:"utf-8,ascii" desc:"characters that the mesh can show"`

	SF            int     `example:"11" range:"5,12" desc:"LoRa spreading factor; with it sending is limited by computed time on air"`
	BW            float64 `example:"250" range:"7,1625" desc:"LoRa bandwidth in kHz"`
	CR            string  `example:"4/5" desc:"LoRa coding rate, 4/5 to 4/8"`
	Preamble      int     `default:"8" range:"1,65535" desc:"LoRa preamble in symbols"`
	OverheadBytes int     `default:"0" range:"0,200" example:"16" desc:"bytes that the mesh adds to the text in each radio frame"`
	Repeats       int     `default:"3" range:"1,100" desc:"transmissions that one frame of ours causes, repeaters included"`
	Airtime       float64 `default:"10" range:"0.1,100" desc:"percent of an hour of the channel that our traffic may fill, repeats included"`
	Reserve       float64 `default:"20" range:"0,99" desc:"percent of that which is kept for emergencies"`
	Duty          float64 `example:"10" range:"0.01,100" desc:"hard limit for the node's own transmitter in percent of an hour; without it none"`
}

// Trunk is the way to far gateways, through a wide-area MQTT broker.
type Trunk struct {
	BrokerURL    string `init:"true" userinfo:"true" example:"ssl://broker.county.example:8883" desc:"the wide-area MQTT broker, tcp:// or ssl://, or several that are joined, separated by commas; or set BROKER_LISTEN"`
	BrokerListen string `example:"127.0.0.1:1884" desc:"address on which to run the built-in broker; or set BROKER_URL"`
	Username     string `example:"posthouse" desc:"user name at the broker"`
	Password     Secret `example:"/etc/posthouse/trunk.password" desc:"password at the broker"`
	CAFile       string `example:"/etc/posthouse/ca.pem" desc:"CA certificates to check the broker against; without it those of the system"`
	CertFile     string `example:"/etc/posthouse/client.pem" desc:"client certificate for the broker"`
	KeyFile      string `example:"/etc/posthouse/client.key" desc:"key of the client certificate"`

	TopicRoot      string `default:"posthouse/1" desc:"first levels of the trunk's topics"`
	SigningKeyFile string `init:"true" example:"/etc/posthouse/signing.key" desc:"the gateway's Ed25519 key, made by posthouse key"`
	TrustFile      string `init:"true" example:"/etc/posthouse/trust.jwk" desc:"trusted gateways: JWK lines, each with its call sign as kid"`
	Trust          string `default:"listed" oneof:"listed,any" desc:"whose messages are accepted: those of listed gateways, or of any (texts only)"`

	AckWait time.Duration `default:"30s" desc:"first wait for a far gateway's receipt; doubled up to 10m"`
}

// APRS is a connection to an APRS-IS server.
type APRS struct {
	Server        string        `required:"true" init:"true" example:"aprs.example:14580" desc:"the APRS-IS server, host:port"`
	Passcode      Secret        `init:"true" example:"/etc/posthouse/aprs.passcode" desc:"passcode of the gateway's call sign, needed to send"`
	Filter        string        `example:"r/46.5/-122.9/50" desc:"server-side filter, added to what posthouse itself asks for"`
	Positions     bool          `default:"false" desc:"true to gate positions of mesh stations"`
	PositionEvery time.Duration `default:"60s" desc:"least time between two positions of a station"`
	AckWait       time.Duration `default:"15s" desc:"first wait for an acknowledgement; doubled each time"`
	Resends       int           `default:"7" range:"0,20" desc:"how often an unacknowledged text is sent again"`
	MaxParts      int           `default:"3" range:"1,99" desc:"most parts of one text"`
	ThirdParty    bool          `default:"no" desc:"yes to let texts of people without a call sign go to APRS; check your national rules"`
}

// Mail is an SMTP server for mail to radio and a client for mail from it.
type Mail struct {
	Listen            string         `init:"true" example:"127.0.0.1:2525" desc:"listen address of the SMTP server for mail to stations; without it and a mailbox mail only goes out"`
	Domain            string         `required:"true" init:"true" example:"radio.county.example" desc:"mail domain of the stations, CALL@DOMAIN"`
	Smarthost         string         `init:"true" example:"mail.county.example:587" desc:"mail server for outgoing mail, host:port; without it mail only comes in"`
	SmarthostTLS      string         `default:"starttls" oneof:"starttls,implicit,none" desc:"TLS to the smarthost; none only on loopback and amateur links"`
	SmarthostUsername string         `example:"posthouse" desc:"user name at the smarthost"`
	SmarthostPassword Secret         `example:"/etc/posthouse/smarthost.password" desc:"password at the smarthost"`
	Mailbox           string         `example:"imap.club.example:993" desc:"IMAP server of a mailbox to fetch mail for stations from, host:port; for a gateway that the internet cannot reach"`
	MailboxTLS        string         `default:"implicit" oneof:"implicit,starttls,none" desc:"TLS to the mailbox; none only on loopback"`
	MailboxUsername   string         `example:"gateway" desc:"user name at the mailbox"`
	MailboxPassword   Secret         `example:"/etc/posthouse/mailbox.password" desc:"password at the mailbox"`
	MailboxFolder     string         `default:"INBOX" desc:"folder to fetch from"`
	MailboxAddress    string         `example:"gateway@radio.county.example" desc:"the mailbox's address when it has only one: stations are then reached at gateway+CALL@"`
	MailboxVouches    string         `example:"mx.county.example" desc:"name at the beginning of the provider's own Authentication-Results, which are then believed; without it mail needs aligned DKIM"`
	MailboxEvery      time.Duration  `default:"5m" desc:"how often to look for mail, besides what the server announces at once (IDLE)"`
	TLSCertFile       string         `example:"/etc/posthouse/mail.pem" desc:"certificate of the SMTP server, for STARTTLS"`
	TLSKeyFile        string         `example:"/etc/posthouse/mail.key" desc:"key of that certificate"`
	Allow             []Allow        `example:"ann@club.example=N0QRA,*@county.example" desc:"senders that may write to radio: ADDRESS=CALL (licensed), or an address or pattern (third party)"`
	Relays            []netip.Prefix `default:"127.0.0.0/8,::1/128" empty:"nobody" desc:"addresses of your own mail servers in front of this one, which check the sender; mail from elsewhere needs aligned DKIM"`
	ReplyFor          time.Duration  `default:"168h" desc:"how long somebody to whom a station wrote may answer it"`
	MaxMessageBytes   int            `default:"65536" range:"1024,67108864" desc:"largest mail on the wire, in bytes"`
}
