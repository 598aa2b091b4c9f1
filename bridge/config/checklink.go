package config

import (
	"crypto/tls"
	"net/url"
	"strings"
	"time"
)

// variable gives the full name of one of the link's variables.
func (k *Link) variable(suffix string) string { return linkPrefix(k.Name) + suffix }

func (l *loader) checkLink(k *Link) {
	l.checkGroups(k)
	switch {
	case k.Mesh != nil:
		l.checkBroker(k)
		l.checkTopics(k)
		l.checkFields(k)
		l.checkTemplate(k)
		l.checkStations(k)
		l.checkOpenChannel(k)
		l.checkRadio(k)
	case k.Trunk != nil:
		l.checkBroker(k)
		l.checkBrokerTLS(k)
		l.checkTopicRoot(k)
		l.checkKeys(k)
	case k.APRS != nil:
		l.checkServer(k)
		l.checkPasscode(k)
	case k.Mail != nil:
		l.checkMailIn(k)
		l.checkSmarthost(k)
		l.checkGroupTo(k)
	}
}

func (l *loader) checkGroups(k *Link) {
	name := k.variable("GROUPS")
	for _, g := range k.Groups {
		switch {
		case isCall(g):
			l.fail(name, "has "+quote(g)+", which is a call sign", "choose a group name that is none")
		case !isWord(g) || g == "POST":
			l.fail(name, "has "+quote(g), "write names of 1 to 16 letters and digits; POST has a meaning of its own")
		case k.Kind == KindAPRS && len(g) > 5:
			// APRS Protocol Reference 1.0.1 chapter 14: BLN, a digit, and at most
			// five characters of group name.
			l.fail(name, "has "+quote(g)+", and a group bulletin has room for 5 characters", "choose a shorter name")
		}
	}
}

func (l *loader) checkGroupTo(k *Link) {
	name := k.variable("GROUP_TO")
	for _, to := range k.GroupTo {
		if !isMail(to) {
			l.fail(name, "has "+quote(to)+", not a mail address", "write for example net@county.example")
		}
	}
	switch {
	case len(k.Groups) > 0 && len(k.GroupTo) == 0 && l.blames(k.variable("GROUPS")):
	case len(k.Groups) > 0 && len(k.GroupTo) == 0:
		l.fail(name, "is missing, and "+k.variable("GROUPS")+" is set", "write the mail addresses that get the groups' texts")
	case len(k.Groups) == 0 && len(k.GroupTo) > 0:
		l.warn(name, "has no effect", "name the groups in "+k.variable("GROUPS"))
	}
}

// broker is what a mesh and a trunk say about their MQTT broker.
type broker struct {
	urls             []string // a mesh has one
	listen, username string
	password         Secret
}

// broker gives the link's broker; the zero value for aprs and mail.
func (k *Link) broker() broker {
	switch {
	case k.Mesh != nil:
		return broker{[]string{k.Mesh.BrokerURL}, k.Mesh.BrokerListen, k.Mesh.Username, k.Mesh.Password}
	case k.Trunk != nil:
		return broker{k.Trunk.BrokerURLs(), k.Trunk.BrokerListen, k.Trunk.Username, k.Trunk.Password}
	}
	return broker{}
}

// BrokerURLs are the addresses of BrokerURL, in the order in which they are tried;
// one empty text when it is empty.
func (t *Trunk) BrokerURLs() []string {
	all := strings.Split(t.BrokerURL, ",")
	for i := range all {
		all[i] = strings.TrimSpace(all[i])
	}
	return all
}

func (l *loader) checkBroker(k *Link) {
	b := k.broker()
	switch {
	case b.urls[0] == "" && b.listen == "" && l.blames(k.variable("BROKER_LISTEN")):
	case b.urls[0] == "" && b.listen == "":
		l.fail(k.variable("BROKER_URL"), "is missing", "name the broker, or set "+k.variable("BROKER_LISTEN")+" to run the built-in one")
	case b.urls[0] != "" && b.listen != "":
		l.fail(k.variable("BROKER_URL"), "and "+k.variable("BROKER_LISTEN")+" are both set", "keep one of them")
	case b.urls[0] != "":
		for _, u := range b.urls {
			l.checkBrokerURL(k, u, b)
		}
	default:
		l.checkBrokerListen(k, b)
	}
	if !b.password.IsZero() && b.username == "" {
		l.fail(k.variable("USERNAME"), "is missing, and a password is set", "MQTT has no password without a name: write it")
	}
	if k.Medium == Amateur && !b.password.IsZero() {
		l.refuseAmateurPassword(k, "PASSWORD")
	}
}

func (l *loader) refuseAmateurPassword(k *Link, suffix string) {
	l.fail(k.variable(suffix), "is a password, which may not cross an amateur link in clear", "remove it and limit access by address, or set "+k.variable("MEDIUM")+"=internet if that is what the path is")
}

// checkBrokerURL shows nothing of the URL: people put passwords there.
func (l *loader) checkBrokerURL(k *Link, address string, b broker) {
	name := k.variable("BROKER_URL")
	const advice = "write tcp://host:1883 or ssl://host:8883"
	if strings.Contains(address, ",") {
		l.fail(name, "lists several brokers, and a mesh has one", "write one; only a trunk moves between several")
		return
	}
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "tcp" && u.Scheme != "ssl" {
		l.fail(name, "is not a URL of a broker", advice)
		return
	}
	if u.User != nil {
		l.fail(name, "holds a user name or password", "use "+k.variable("USERNAME")+" and "+k.variable("PASSWORD_FILE"))
		return
	}
	host, port, ok := splitHostPort(u.Host)
	if !ok || host == "" || port == 0 || strings.Trim(u.Path, "/")+u.RawQuery+u.Fragment != "" {
		l.fail(name, "has no host:port, or more than that", advice)
		return
	}
	switch {
	case k.Medium == Amateur && u.Scheme == "ssl":
		l.fail(name, "uses TLS, which encrypts, on an amateur link", "write tcp://, or set "+k.variable("MEDIUM")+"=internet if that is what the path is")
	case l.isInternet(k) && u.Scheme == "tcp" && !b.password.IsZero() && !isLoopback(host):
		l.warn(name, "sends the password in clear", "write ssl:// if the broker can")
	}
	l.warnAmateurAddress(k, name, host)
}

// isInternet tells whether the link's path is the internet, and was not to be another.
func (l *loader) isInternet(k *Link) bool {
	return k.Medium == Internet && !l.blames(k.variable("MEDIUM"))
}

func (l *loader) warnAmateurAddress(k *Link, name, host string) {
	if l.isInternet(k) && isAmateurAddress(host) {
		l.warn(name, "is in a network of radio amateurs", "set "+k.variable("MEDIUM")+"=amateur if the way there is by radio")
	}
}

func (l *loader) checkBrokerListen(k *Link, b broker) {
	name := k.variable("BROKER_LISTEN")
	host, ok := l.checkListen(name, b.listen)
	if !ok || isLoopback(host) || b.username != "" && !b.password.IsZero() {
		return
	}
	if k.Medium == Amateur { // no passwords there: all that is left is the firewall
		l.warn(name, "lets anybody on the network publish here", "limit access by address in the firewall")
		return
	}
	if !l.blames(k.variable("MEDIUM"), k.variable("USERNAME"), k.variable("PASSWORD")) {
		l.fail(name, "can be reached from other machines, and anybody may publish there", "set "+k.variable("USERNAME")+" and "+k.variable("PASSWORD_FILE")+", or listen on 127.0.0.1")
	}
}

// checkBrokerTLS looks at the certificates of a trunk.
func (l *loader) checkBrokerTLS(k *Link) {
	t := k.Trunk
	for _, f := range []struct{ suffix, path string }{{"CA_FILE", t.CAFile}, {"CERT_FILE", t.CertFile}, {"KEY_FILE", t.KeyFile}} {
		switch {
		case f.path == "":
		case k.Medium == Amateur:
			l.fail(k.variable(f.suffix), "is for TLS, which encrypts, on an amateur link", "remove it, or set "+k.variable("MEDIUM")+"=internet if that is what the path is")
		case t.BrokerURL != "" && !strings.Contains(t.BrokerURL, "ssl:") && !l.blames(k.variable("BROKER_URL")):
			l.fail(k.variable(f.suffix), "has no effect on a broker without TLS", "remove it, or write ssl:// in "+k.variable("BROKER_URL"))
		}
	}
	if t.CAFile != "" {
		l.readFile(k.variable("CA_FILE"), t.CAFile, maxList)
	}
	l.checkPair(k, "CERT_FILE", t.CertFile, "KEY_FILE", t.KeyFile)
}

// checkPair reads a certificate and its key.
func (l *loader) checkPair(k *Link, certName, cert, keyName, key string) {
	switch {
	case cert == "" && key == "":
		return
	case cert == "":
		l.fail(k.variable(certName), "is missing, and "+k.variable(keyName)+" is set", "set both or none")
		return
	case key == "":
		l.fail(k.variable(keyName), "is missing, and "+k.variable(certName)+" is set", "set both or none")
		return
	}
	certPEM, ok1 := l.readFile(k.variable(certName), cert, maxList)
	keyPEM, ok2 := l.readFile(k.variable(keyName), key, maxList)
	if !ok1 || !ok2 {
		return
	}
	l.warnIfOpen(k.variable(keyName), key)
	pair, err := tls.X509KeyPair(certPEM, keyPEM)
	switch {
	case err != nil:
		l.fail(k.variable(certName), "and "+k.variable(keyName)+" are no pair: "+oneLine(err.Error()), "name a certificate and its key, both in PEM")
	case pair.Leaf.NotAfter.Before(time.Now()):
		l.warn(k.variable(certName), "has a certificate that ended on "+pair.Leaf.NotAfter.UTC().Format(time.DateOnly), "renew it; the daemon reads it again by itself")
	}
}

func (l *loader) checkTopicRoot(k *Link) {
	if root := k.Trunk.TopicRoot; !isTopic(root) || strings.HasPrefix(root, "/") || strings.HasSuffix(root, "/") {
		l.fail(k.variable("TOPIC_ROOT"), "is "+quote(root), "write topic levels without wildcards, such as posthouse/1")
	}
}

func (l *loader) checkKeys(k *Link) {
	t := k.Trunk
	name := k.variable("SIGNING_KEY_FILE")
	if t.SigningKeyFile != "" {
		if key, ok := l.readFile(name, t.SigningKeyFile, maxSecret); ok {
			l.warnIfOpen(name, t.SigningKeyFile)
			l.checkContent(name, key, l.hooks.CheckSigningKey, "make a key with posthouse key, and name its file")
		}
	} else if k.MaySend() && !l.blames(k.variable("DIRECTION")) {
		l.fail(name, "is missing", "make a key with posthouse key, and name its file")
	}
	name = k.variable("TRUST_FILE")
	if t.TrustFile != "" {
		if list, ok := l.readFile(name, t.TrustFile, maxList); ok {
			l.checkContent(name, list, l.hooks.CheckTrust, "write on each line what posthouse key printed at that gateway")
		}
	} else if t.Trust == "listed" && k.MayReceive() && !l.blames(k.variable("TRUST"), k.variable("DIRECTION")) {
		l.fail(name, "is missing, so nobody would be believed", "name a file with a JWK line for each gateway")
	}
}

// checkContent asks a hook about what is in a file; each line of its error is a
// finding.
func (l *loader) checkContent(name string, file []byte, check func([]byte) error, advice string) {
	if check == nil {
		return
	}
	err := check(file)
	if err == nil {
		return
	}
	for line := range strings.SplitSeq(err.Error(), "\n") {
		l.fail(name, "names a file that cannot be used: "+line, advice)
	}
}

func (l *loader) checkServer(k *Link) {
	name := k.variable("SERVER")
	server := k.APRS.Server
	if server == "" {
		return
	}
	host, port, ok := splitHostPort(server)
	if !ok || host == "" || port == 0 {
		l.fail(name, "is "+quote(server), "write host:port, such as aprs.example:14580")
		return
	}
	l.warnAmateurAddress(k, name, host)
}

// receiveOnly is what people log in with who have no passcode (common practice
// on APRS-IS).
const receiveOnly = "-1"

// checkPasscode does not ask about the medium: a passcode is no password, since
// anybody can compute it.
func (l *loader) checkPasscode(k *Link) {
	name := k.variable("PASSCODE")
	code := strings.TrimSpace(k.APRS.Passcode.Reveal())
	switch {
	case !k.MaySend():
	case code == "":
		if !l.blames(name, k.variable("DIRECTION")) {
			l.fail(name, "is missing, and without it the server takes nothing from us", "set "+name+"_FILE, or "+k.variable("DIRECTION")+"=in")
		}
	case code == receiveOnly, strings.EqualFold(code, "none"):
		l.fail(name, "is "+code+", with which the server takes nothing from us", "set the passcode of your call sign, or "+k.variable("DIRECTION")+"=in")
	case l.hooks.CheckPasscode != nil && !l.blames(Prefix+"CALLSIGN"):
		if l.hooks.CheckPasscode(l.config.Callsign, code) != nil {
			l.fail(name, "does not fit the call sign", "ask for the passcode of "+l.config.Callsign)
		}
	}
}
