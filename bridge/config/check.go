package config

import (
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/text/language"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
)

// check judges what was read: first the gateway, then link by link, then what
// concerns several links. A value that could not be read is at its default by
// now and has its finding already.
func (l *loader) check() {
	for _, check := range []func(){
		l.checkCallsign, l.checkStarts, l.checkStore, l.checkPage, l.checkOperators, l.checkAlertTo, l.checkAliases,
		l.checkCountry, l.checkExercise, l.checkRoutes, l.checkUnheard, l.checkBlock, l.checkDataDir,
	} {
		check()
	}
	for i := range l.config.Links {
		l.checkLink(&l.config.Links[i])
	}
	l.checkListeners()
	l.checkMeshes()
}

func (l *loader) checkCallsign() {
	const name = Prefix + "CALLSIGN"
	if l.config.Callsign == "" {
		return
	}
	call, err := parseCall(l.config.Callsign)
	switch {
	case err != nil:
		l.fail(name, "is "+quote(l.config.Callsign)+": "+err.Error(), "write your own call sign with SSID, such as N0CALL-10")
	case call.Base == callsign.Placeholder:
		l.fail(name, "is the placeholder N0CALL, which must never be transmitted", "write your own call sign with SSID")
	case !call.AX25() && slices.ContainsFunc(l.config.Links, func(k Link) bool { return k.Kind == KindAPRS }):
		l.fail(name, "does not fit an AX.25 address, which an aprs link needs", "use a call sign of at most 6 characters, with no slash")
	}
}

func (l *loader) checkStarts() {
	for _, start := range l.config.CallsignStarts {
		if !isStart(start) {
			l.fail(Prefix+"CALLSIGN_STARTS", "has "+quote(start), "write what stands before the digit of the area: one to three letters and digits, a letter among them, no Q first, such as 1A or Z6")
		}
	}
}

func (l *loader) checkStore() {
	const name = Prefix + "STORE"
	if l.config.Store == "bolt" {
		return
	}
	hosts, ok := strings.CutPrefix(l.config.Store, "etcd://")
	if !ok {
		l.fail(name, "is neither bolt nor an etcd URL", "write bolt, or etcd://host:port,host:port")
		return
	}
	for host := range strings.SplitSeq(hosts, ",") {
		if h, port, ok := splitHostPort(host); !ok || h == "" || port == 0 {
			l.fail(name, "has a member that is not host:port", "write etcd://host:port,host:port")
			return
		}
	}
	if l.hooks.CheckStore == nil {
		l.fail(name, "asks for etcd, which this build of posthouse does not have", "write bolt, or use a build with etcd")
	} else if err := l.hooks.CheckStore(l.config.Store); err != nil {
		l.fail(name, "cannot be used: "+oneLine(err.Error()), "write bolt, or mend the etcd URL")
	}
}

func (l *loader) checkPage() {
	const name = Prefix + "HTTP_LISTEN"
	host, ok := l.checkListen(name, l.config.HTTPListen)
	if !ok || isLoopback(host) || l.blames(Prefix+"OPERATORS_FILE") {
		return
	}
	if l.config.OperatorsFile == "" {
		l.fail(name, "can be reached from other machines, and nobody is named who may act on the page",
			"set "+Prefix+"OPERATORS_FILE, or listen on 127.0.0.1")
		return
	}
	l.warn(name, "can be reached from other machines, and the page has no TLS: passwords cross the network in clear",
		"put a TLS proxy in front and listen on 127.0.0.1")
}

// checkListen judges an address to listen on and gives its host; ok is false
// when there is none to judge further.
func (l *loader) checkListen(name, address string) (host string, ok bool) {
	if address == "" {
		return "", false
	}
	host, _, ok = splitHostPort(address)
	if !ok {
		l.fail(name, "is "+quote(address), "write ADDRESS:PORT, such as 127.0.0.1:8327")
	}
	return host, ok
}

func (l *loader) checkOperators() {
	const name = Prefix + "OPERATORS_FILE"
	path := l.config.OperatorsFile
	if path == "" {
		return
	}
	data, ok := l.readFile(name, path, maxList)
	if !ok {
		return
	}
	l.warnIfOpen(name, path)
	operators, findings := ParseOperators(string(data))
	l.config.Operators = operators
	l.addLines(name, findings)
	if len(operators) == 0 && len(findings) == 0 {
		l.fail(name, "names a file without an operator", "write a line CALL:HASH for each, with a bcrypt hash")
	}
}

// addLines reports the findings in a file under the variable that names it.
func (l *loader) addLines(name string, findings []Finding) {
	for _, f := range findings {
		f.Variable = name + " " + f.Variable
		l.findings = append(l.findings, f)
	}
}

func (l *loader) checkAlertTo() {
	const name = Prefix + "ALERT_TO"
	for _, to := range l.config.AlertTo {
		switch {
		case message.IsMail(to) && isMail(to):
			if !l.blames(Prefix+"LINKS") && !slices.ContainsFunc(l.config.Links, func(k Link) bool { return k.Kind == KindMail || k.Kind == KindTrunk }) {
				l.fail(name, "has the mail address "+quote(to)+", and no link carries mail", "add a mail link, or name a call sign")
			}
		case l.config.Aliases[to] != "", isWord(to) && l.blames(Prefix+"ALIASES"):
		case !isCall(to):
			l.fail(name, "has "+quote(to)+", neither a call sign nor a mail address", "write for example N0QRA,duty@county.example")
		case to == l.config.Callsign, callsign.Same(to, callsign.Placeholder):
			l.fail(name, "has "+quote(to)+", where nobody reads", "write the call sign of somebody who is to be told")
		}
	}
}

func (l *loader) checkAliases() {
	const name = Prefix + "ALIASES"
	for _, pair := range strings.Split(l.config.Aliases.String(), ",") {
		alias, to, ok := strings.Cut(pair, "=")
		switch {
		case !ok:
		case isCall(alias):
			l.fail(name, "has "+quote(alias)+", which is a call sign: texts for that station would go astray", "choose another short name")
		case alias == "POST" || l.isGroup(alias):
			l.fail(name, "has "+quote(alias)+", which has a meaning of its own", "choose another short name")
		case !isCall(to) && !isMail(to) && !l.isGroup(to):
			l.fail(name, "gives "+quote(alias)+" the address "+quote(to), "write a call sign, a group or a mail address")
		}
	}
}

func (l *loader) isGroup(name string) bool {
	return name == "ALL" || slices.ContainsFunc(l.config.Links, func(k Link) bool { return slices.Contains(k.Groups, name) })
}

func (l *loader) checkCountry() {
	country := l.config.Country
	if country == "" {
		return
	}
	region, err := language.ParseRegion(country)
	if len(country) != 2 || err != nil || !region.IsCountry() || region.String() != country || region.Canonicalize() != region {
		l.fail(Prefix+"COUNTRY", "is "+quote(country), "write the two letters of ISO 3166, such as US")
	}
}

// maxExercise bounds the exercise's name in bytes: it stands twice in every
// frame, and an APRS frame has 67.
const maxExercise = 20

// ExerciseProblem tells what is wrong with the name of an exercise; empty: nothing.
func ExerciseProblem(name string) string {
	for _, r := range name {
		if r < ' ' || r > '~' {
			return "has a character that not every medium can carry: write letters, digits and spaces without accents"
		}
	}
	if len(name) > maxExercise {
		return "is longer than " + strconv.Itoa(maxExercise) + " characters, and stands twice in every frame: choose a shorter one"
	}
	return ""
}

func (l *loader) checkExercise() {
	if problem, advice, bad := strings.Cut(ExerciseProblem(l.config.Exercise), ": "); bad {
		l.fail(Prefix+"EXERCISE", problem, advice)
	}
	for _, call := range l.config.ExerciseStations {
		if !isCall(call) && (!strings.Contains(call, "*") || checkPattern(call) != nil || message.IsMail(call)) {
			l.fail(Prefix+"EXERCISE_STATIONS", "has "+quote(call)+", not a call sign", "write call signs, with * for any characters")
		}
	}
}

func (l *loader) checkRoutes() {
	const name = Prefix + "ROUTES"
	for _, r := range l.config.Routes {
		l.checkWayOut(name, "sends "+quote(r.Pattern)+" to "+quote(r.Link), r.Link)
	}
}

func (l *loader) checkUnheard() {
	to := l.config.Unheard
	if to == "hold" {
		return
	}
	l.checkWayOut(Prefix+"UNHEARD", "is "+quote(to), to)
	if k := l.config.Links.Find(to); k != nil && k.Kind == KindMail {
		l.fail(Prefix+"UNHEARD", "is "+quote(to)+", and mail reaches no call sign", "write hold, or a link of another kind")
	}
}

// checkWayOut judges a link that messages are to leave by.
func (l *loader) checkWayOut(name, what, link string) {
	k := l.config.Links.Find(link)
	switch {
	case k == nil && l.blames(Prefix+"LINKS"):
	case k == nil:
		advice := "name one of the links"
		if len(l.config.Links) > 0 {
			advice += ": " + strings.ReplaceAll(l.config.Links.String(), ",", ", ")
		}
		l.fail(name, what+", and there is no such link", advice)
	case k.Mail != nil && k.Mail.Smarthost == "":
		l.fail(name, what+", which has no smarthost to send by", "name another link, or set "+k.variable("SMARTHOST"))
	case !k.MaySend():
		l.fail(name, what+", which never sends", "name another link, or change "+k.variable("DIRECTION"))
	}
}

func (l *loader) checkBlock() {
	for _, pattern := range l.config.Block {
		if err := checkPattern(pattern); err != nil {
			l.failErr(Prefix+"BLOCK", err)
		} else if strings.Trim(pattern, "*") == "" {
			l.fail(Prefix+"BLOCK", "has "+quote(pattern)+", which is everybody", "to stop all sending say 'posthouse quiet all'")
		} else if !message.IsMail(pattern) && !strings.Contains(pattern, "*") && !isCall(pattern) {
			l.fail(Prefix+"BLOCK", "has "+quote(pattern)+", neither a call sign nor a mail address", "write for example N0QRZ,*@spam.example")
		} else if p, err := rules.ParsePattern(pattern); err == nil && p.Match(l.config.Callsign) {
			l.fail(Prefix+"BLOCK", "has "+quote(pattern)+", which is this gateway itself, and whoever writes to it", "take it out; to stop all sending say 'posthouse quiet all'")
		}
	}
}

// checkDataDir refuses a file in the folder's place, and warns of a folder in which
// anybody could put another queue or key in place of the gateway's, or the gateway nothing,
// as after a restore by root.
func (l *loader) checkDataDir() {
	info, err := os.Stat(l.config.DataDir)
	if errors.Is(err, syscall.ENOTDIR) || err == nil && !info.IsDir() {
		l.fail(Prefix+"DATA_DIR", "is "+quote(l.config.DataDir)+", and there is a file in that place", "name a folder, which the daemon makes, or move the file away")
		return
	}
	if err != nil {
		return // the daemon makes it
	}
	if info.Mode().Perm()&0o002 != 0 {
		l.warn(Prefix+"DATA_DIR", fmt.Sprintf("names a folder in which everybody on this machine may write (mode %04o)", info.Mode().Perm()), "chmod 700 it")
	}
	const write, enter = 2, 1 // W_OK, X_OK of access(2)
	if err := syscall.Access(l.config.DataDir, write|enter); err != nil {
		l.warn(Prefix+"DATA_DIR", fmt.Sprintf("names a folder in which you may not write: %v", err), "if you are the user that the daemon runs as ('sudo ph check' is), it has to be yours, on a disk that can be written")
	}
}

// checkListeners refuses two listeners in one place.
func (l *loader) checkListeners() {
	taken := map[string][]string{} // port: hosts
	claim := func(name, address string) {
		host, port, ok := splitHostPort(address)
		if !ok || port == 0 {
			return
		}
		p := strconv.Itoa(port)
		if slices.ContainsFunc(taken[p], func(other string) bool { return host == other || isAny(host) || isAny(other) }) {
			l.fail(name, "is an address that another setting listens on", "choose another port")
		}
		taken[p] = append(taken[p], host)
	}
	claim(Prefix+"HTTP_LISTEN", l.config.HTTPListen)
	for i := range l.config.Links {
		k := &l.config.Links[i]
		claim(k.variable("BROKER_LISTEN"), k.broker().listen)
		if k.Mail != nil {
			claim(k.variable("LISTEN"), k.Mail.Listen)
		}
	}
}

func isAny(host string) bool {
	ip := net.ParseIP(host)
	return host == "" || ip != nil && ip.IsUnspecified()
}

// checkMeshes looks at the meshes side by side.
func (l *loader) checkMeshes() {
	trunk := slices.ContainsFunc(l.config.Links, func(k Link) bool { return k.Kind == KindTrunk })
	for i := range l.config.Links {
		k := &l.config.Links[i]
		if k.Mesh == nil {
			continue
		}
		if trunk && k.Mesh.Mesh == "" {
			l.fail(k.variable("MESH"), "is missing, and a trunk link needs it to tell the meshes apart",
				"write the mesh's own name, the same at every gateway of that mesh")
		}
		for j := range i {
			l.checkTwins(&l.config.Links[j], k)
		}
	}
}

func (l *loader) checkTwins(a, b *Link) {
	if a.Mesh == nil {
		return
	}
	if b.Mesh.Mesh != "" && a.Mesh.Mesh == b.Mesh.Mesh {
		l.fail(b.variable("MESH"), "is the name of link "+a.Name+"'s mesh too", "give each mesh its own name")
	}
	if b.Mesh.BrokerURL != "" && a.Mesh.BrokerURL == b.Mesh.BrokerURL &&
		(Covers(a.Mesh.FromTopic, b.Mesh.FromTopic) || Covers(b.Mesh.FromTopic, a.Mesh.FromTopic)) {
		l.fail(b.variable("FROM_TOPIC"), "is what link "+a.Name+" reads too: every text would come in twice", "give each mesh its own topic")
	}
}
