package config

import (
	"strings"
	"testing"
	"time"
)

func TestGoodSettingsHaveNoFindings(t *testing.T) {
	if _, findings := Load(good(t).environ(), hooks); len(findings) > 0 {
		t.Errorf("%v", findings)
	}
}

// TestOneWrongSetting changes one thing of good settings: exactly the findings
// of that one thing are there, for their own reason.
func TestOneWrongSetting(t *testing.T) {
	cert, key := pair(t)
	_, other := pair(t)
	old, oldKey := pairUntil(t, time.Date(2026, 1, 2, 3, 0, 0, 0, time.UTC))
	open := file(t, 0o644, "word")
	bad := file(t, 0o600, "BAD")
	for _, c := range []struct {
		name   string
		change []string
		want   []string // level: variable problem, as a prefix
	}{
		// The gateway.
		{"no call sign", []string{"CALLSIGN"}, []string{"error: POSTHOUSE_CALLSIGN is missing"}},
		{"empty call sign", []string{"CALLSIGN="}, []string{"error: POSTHOUSE_CALLSIGN is missing"}},
		{"no call sign at all", []string{"CALLSIGN=HELLO"}, []string{`error: POSTHOUSE_CALLSIGN is "HELLO": not the shape`}},
		{"placeholder", []string{"CALLSIGN=n0call-3"}, []string{"error: POSTHOUSE_CALLSIGN is the placeholder"}},
		{"SSID of 16", []string{"CALLSIGN=N0QRZ-16"}, []string{`error: POSTHOUSE_CALLSIGN is "N0QRZ-16": SSID`}},
		{"portable mark with an aprs link", []string{"CALLSIGN=N0QRZ/P"}, []string{"error: POSTHOUSE_CALLSIGN does not fit an AX.25 address"}},
		{"start of nothing", []string{"CALLSIGN_STARTS=1A,12"}, []string{`error: POSTHOUSE_CALLSIGN_STARTS has "12"; write what stands`}},
		{"start that is a Q code", []string{"CALLSIGN_STARTS=QA"}, []string{`error: POSTHOUSE_CALLSIGN_STARTS has "QA"`}},
		{"start with its digit", []string{"CALLSIGN_STARTS=Z6,ABCD"}, []string{`error: POSTHOUSE_CALLSIGN_STARTS has "ABCD"`}},
		{"starts in small letters", []string{"CALLSIGN_STARTS=1a, z6"}, nil},
		{"long calls maybe", []string{"CALLSIGN_LONG=maybe"}, []string{`error: POSTHOUSE_CALLSIGN_LONG is "maybe"`}},
		{"unknown store", []string{"STORE=sqlite"}, []string{"error: POSTHOUSE_STORE is neither"}},
		{"etcd without port", []string{"STORE=etcd://a.example"}, []string{"error: POSTHOUSE_STORE has a member"}},
		{"etcd that the build refuses", []string{"STORE=etcd://bad.example:2379"}, []string{"error: POSTHOUSE_STORE cannot be used: no such cluster"}},
		{"page without port", []string{"HTTP_LISTEN=127.0.0.1"}, []string{`error: POSTHOUSE_HTTP_LISTEN is "127.0.0.1"`}},
		{"page for everybody, no operators", []string{"HTTP_LISTEN=:8327"}, []string{"error: POSTHOUSE_HTTP_LISTEN can be reached from other machines, and nobody"}},
		{"page for everybody, no TLS", []string{"HTTP_LISTEN=192.0.2.1:8327", "OPERATORS_FILE=" + file(t, 0o600, "N0QRA:"+bcryptHash)},
			[]string{"warning: POSTHOUSE_HTTP_LISTEN can be reached from other machines, and the page has no TLS"}},
		{"operators file is not there", []string{"OPERATORS_FILE=/nowhere"}, []string{"error: POSTHOUSE_OPERATORS_FILE names a file that cannot be read"}},
		{"operators file is empty", []string{"OPERATORS_FILE=" + file(t, 0o600, "# nobody\n")}, []string{"error: POSTHOUSE_OPERATORS_FILE names a file without an operator"}},
		{"operator without hash", []string{"OPERATORS_FILE=" + file(t, 0o600, "\nN0QRA:password")}, []string{"error: POSTHOUSE_OPERATORS_FILE line 2 has no bcrypt hash"}},
		{"operators file for everybody", []string{"OPERATORS_FILE=" + file(t, 0o644, "N0QRA:"+bcryptHash)}, []string{"warning: POSTHOUSE_OPERATORS_FILE names a file that everybody"}},
		{"alert to nobody", []string{"ALERT_TO=N0QRA,duty"}, []string{`error: POSTHOUSE_ALERT_TO has "DUTY"`}},
		{"alert to the gateway itself", []string{"ALERT_TO=n0qrz-10"}, []string{`error: POSTHOUSE_ALERT_TO has "N0QRZ-10", where nobody reads`}},
		{"alert to the placeholder", []string{"ALERT_TO=N0CALL-7"}, []string{`error: POSTHOUSE_ALERT_TO has "N0CALL-7", where nobody reads`}},
		{"alias is a call sign", []string{"ALIASES=N0QRA=eoc@county.example"}, []string{`error: POSTHOUSE_ALIASES has "N0QRA", which is a call sign`}},
		{"alias is POST", []string{"ALIASES=POST=eoc@county.example"}, []string{`error: POSTHOUSE_ALIASES has "POST"`}},
		{"alias is a group", []string{"ALIASES=ALL=eoc@county.example"}, []string{`error: POSTHOUSE_ALIASES has "ALL"`}},
		{"alias of nothing", []string{"ALIASES=EOC"}, []string{`error: POSTHOUSE_ALIASES has "EOC"; write NAME=ADDRESS`}},
		{"alias of no address", []string{"ALIASES=EOC=somewhere"}, []string{`error: POSTHOUSE_ALIASES gives "EOC" the address "SOMEWHERE"`}},
		{"alias twice", []string{"ALIASES=EOC=N0QRA,eoc=N0QRB"}, []string{`error: POSTHOUSE_ALIASES names "EOC" twice`}},
		{"unheard call signs by mail", []string{"UNHEARD=post"}, []string{`error: POSTHOUSE_UNHEARD is "post", and mail reaches no call sign`}},
		{"a block of everybody", []string{"BLOCK=*"}, []string{`error: POSTHOUSE_BLOCK has "*", which is everybody`}},
		{"a block of the gateway itself", []string{"BLOCK=n0qrz"}, []string{`error: POSTHOUSE_BLOCK has "N0QRZ", which is this gateway itself`}},
		{"a block that covers the gateway itself", []string{"BLOCK=N0QRY,*RZ-1*"}, []string{`error: POSTHOUSE_BLOCK has "*RZ-1*", which is this gateway itself`}},
		{"no position", []string{"POSITION=here"}, []string{`error: POSTHOUSE_POSITION is "here"`}},
		{"north of the pole", []string{"POSITION=91,0"}, []string{`error: POSTHOUSE_POSITION is "91,0"`}},
		{"position 0,0", []string{"POSITION=0,0"}, []string{`error: POSTHOUSE_POSITION is 0,0`}},
		{"country by name", []string{"COUNTRY=Austria"}, []string{`error: POSTHOUSE_COUNTRY is "Austria"`}},
		{"no such country", []string{"COUNTRY=XX"}, []string{`error: POSTHOUSE_COUNTRY is "XX"`}},
		{"country in small letters", []string{"COUNTRY=at"}, []string{`error: POSTHOUSE_COUNTRY is "at"`}},
		{"UK is not the code of ISO 3166", []string{"COUNTRY=UK"}, []string{`error: POSTHOUSE_COUNTRY is "UK"`}},
		{"exercise with an accent", []string{"EXERCISE=Übung"}, []string{"error: POSTHOUSE_EXERCISE has a character"}},
		{"exercise with a long name", []string{"EXERCISE=ABCDEFGHIJKLMNOPQRSTU"}, []string{"error: POSTHOUSE_EXERCISE is longer than 20"}},
		{"exercise station", []string{"EXERCISE_STATIONS=N0QRA,BOB"}, []string{`error: POSTHOUSE_EXERCISE_STATIONS has "BOB"`}},
		{"lifetime of nothing", []string{"LIFETIME=0s"}, []string{`error: POSTHOUSE_LIFETIME is "0s"; write a duration above zero`}},
		{"lifetime without unit", []string{"LIFETIME=24"}, []string{`error: POSTHOUSE_LIFETIME is "24", not a duration`}},
		{"negative time", []string{"HEARD_FOR=-1h"}, []string{`error: POSTHOUSE_HEARD_FOR is "-1h"`}},
		{"route without link", []string{"ROUTES=N0QRA*"}, []string{`error: POSTHOUSE_ROUTES has "N0QRA*"`}},
		{"route to nowhere", []string{"ROUTES=N0QRA*=sea"}, []string{`error: POSTHOUSE_ROUTES sends "N0QRA*" to "sea", and there is no such link; name one of the links: valley, far, aprs, post`}},
		{"route to a link that never sends", []string{"ROUTES=*@*=post", "POST_DIRECTION=in"}, []string{`error: POSTHOUSE_ROUTES sends "*@*" to "post", which never sends`}},
		{"route to a mail link without a smarthost", []string{"ROUTES=*@*=post", "POST_SMARTHOST="}, []string{`error: POSTHOUSE_ROUTES sends "*@*" to "post", which has no smarthost`}},
		{"route of a wrong pattern", []string{"ROUTES=N0 QRA=far"}, []string{`error: POSTHOUSE_ROUTES has the pattern "N0 QRA"`}},
		{"empty item in a list", []string{"ROUTES=N0QRA=far,,N0QRB=far"}, []string{"error: POSTHOUSE_ROUTES has an empty item"}},
		{"unheard to nowhere", []string{"UNHEARD=drop"}, []string{`error: POSTHOUSE_UNHEARD is "drop", and there is no such link`}},
		{"block of nothing", []string{"BLOCK=somebody"}, []string{`error: POSTHOUSE_BLOCK has "SOMEBODY"`}},
		{"block pattern", []string{"BLOCK=N0?RA"}, []string{`error: POSTHOUSE_BLOCK has the pattern "N0?RA"`}},
		{"rate without time", []string{"RATE=20"}, []string{`error: POSTHOUSE_RATE is "20"; write COUNT/TIME`}},
		{"rate of nothing", []string{"RATE=0/10m"}, []string{`error: POSTHOUSE_RATE is "0/10m"`}},
		{"log level", []string{"LOG_LEVEL=loud"}, []string{`error: POSTHOUSE_LOG_LEVEL is "loud"; write one of debug, info, warn, error`}},
		{"log format", []string{"LOG_FORMAT=xml"}, []string{`error: POSTHOUSE_LOG_FORMAT is "xml"`}},
		{"quotation marks that nobody took away", []string{`DATA_DIR="/var/lib/posthouse"`, "VALLEY_FROM_TOPIC='valley/from'"}, []string{
			"error: POSTHOUSE_DATA_DIR has quotation marks around it", "error: POSTHOUSE_VALLEY_FROM_TOPIC has quotation marks around it"}},
		{"a value that is wrong is not missing besides", []string{`VALLEY_BROKER_URL="tcp://127.0.0.1:1883"`}, []string{
			"error: POSTHOUSE_VALLEY_BROKER_URL has quotation marks around it"}},
		{"control character", []string{"DATA_DIR=a\x00b"}, []string{"error: POSTHOUSE_DATA_DIR holds a control character"}},
		{"invalid UTF-8", []string{"DATA_DIR=a\xffb"}, []string{"error: POSTHOUSE_DATA_DIR holds a control character or is not UTF-8"}},

		// The links' names and what every link has.
		{"name in capitals", []string{"LINKS=Valley,far,aprs,post"}, []string{`error: POSTHOUSE_LINKS names a link "Valley"; use a to z`}},
		{"name with a dash", []string{"LINKS=valley,far,aprs,post,v-2", "V_2_KIND=mesh"}, []string{`error: POSTHOUSE_LINKS names a link "v-2"; use a to z`}},
		{"name twice", []string{"LINKS=valley,far,aprs,post,far"}, []string{`error: POSTHOUSE_LINKS names a link "far"; name each link once`}},
		{"name that means something", []string{"LINKS=valley,far,aprs,post,hold", "HOLD_KIND=mesh"}, []string{`error: POSTHOUSE_LINKS names a link "hold"; choose another name`}},
		{"name that means no link", []string{"LINKS=valley,far,aprs,post,none", "NONE_KIND=mesh"}, []string{`error: POSTHOUSE_LINKS names a link "none"; choose another name`}},
		{"name that begins a setting", []string{"LINKS=valley,far,aprs,post,data"}, []string{`error: POSTHOUSE_LINKS names a link "data"; choose another name, POSTHOUSE_DATA_DIR`}},
		{"name that is a setting", []string{"LINKS=valley,far,aprs,post,rate"}, []string{`error: POSTHOUSE_LINKS names a link "rate"; choose another name, POSTHOUSE_RATE`}},
		{"no kind", []string{"VALLEY_KIND"}, []string{"error: POSTHOUSE_VALLEY_KIND is missing"}},
		{"unknown kind", []string{"VALLEY_KIND=radio"}, []string{`error: POSTHOUSE_VALLEY_KIND is "radio"; write one of mesh, trunk, aprs, mail`}},
		{"medium", []string{"VALLEY_MEDIUM=hamnet"}, []string{`error: POSTHOUSE_VALLEY_MEDIUM is "hamnet"; write one of internet, amateur`}},
		{"direction", []string{"VALLEY_DIRECTION=sideways"}, []string{`error: POSTHOUSE_VALLEY_DIRECTION is "sideways"`}},
		{"group that is a call sign", []string{"VALLEY_GROUPS=ALL,N0QRA"}, []string{`error: POSTHOUSE_VALLEY_GROUPS has "N0QRA", which is a call sign`}},
		{"group with a space", []string{"VALLEY_GROUPS=NET 1"}, []string{`error: POSTHOUSE_VALLEY_GROUPS has "NET 1"`}},
		{"group too long for a bulletin", []string{"APRS_GROUPS=COUNTY"}, []string{`error: POSTHOUSE_APRS_GROUPS has "COUNTY"`}},
		{"mail group without addresses", []string{"POST_GROUPS=ALL"}, []string{"error: POSTHOUSE_POST_GROUP_TO is missing"}},
		{"mail group to no address", []string{"POST_GROUPS=ALL", "POST_GROUP_TO=N0QRA"}, []string{`error: POSTHOUSE_POST_GROUP_TO has "N0QRA"`}},
		{"addresses for no group", []string{"POST_GROUP_TO=net@county.example"}, []string{"warning: POSTHOUSE_POST_GROUP_TO has no effect"}},

		// The broker of a mesh.
		{"no broker", []string{"VALLEY_BROKER_URL"}, []string{"error: POSTHOUSE_VALLEY_BROKER_URL is missing"}},
		{"two brokers", []string{"VALLEY_BROKER_LISTEN=127.0.0.1:1883"}, []string{"error: POSTHOUSE_VALLEY_BROKER_URL and POSTHOUSE_VALLEY_BROKER_LISTEN are both set"}},
		{"broker by another scheme", []string{"VALLEY_BROKER_URL=mqtt://127.0.0.1:1883"}, []string{"error: POSTHOUSE_VALLEY_BROKER_URL is not a URL"}},
		{"broker without port", []string{"VALLEY_BROKER_URL=tcp://127.0.0.1"}, []string{"error: POSTHOUSE_VALLEY_BROKER_URL has no host:port"}},
		{"broker with a path", []string{"VALLEY_BROKER_URL=tcp://127.0.0.1:1883/x"}, []string{"error: POSTHOUSE_VALLEY_BROKER_URL has no host:port, or more"}},
		{"password in the URL", []string{"VALLEY_BROKER_URL=tcp://a:b@127.0.0.1:1883"}, []string{"error: POSTHOUSE_VALLEY_BROKER_URL holds a user name"}},
		{"password without name", []string{"VALLEY_PASSWORD=x"}, []string{"error: POSTHOUSE_VALLEY_USERNAME is missing"}},
		{"password in clear over the internet", []string{"VALLEY_BROKER_URL=tcp://b.example:1883", "VALLEY_USERNAME=u", "VALLEY_PASSWORD=x"},
			[]string{"warning: POSTHOUSE_VALLEY_BROKER_URL sends the password in clear"}},
		{"TLS on an amateur link", []string{"VALLEY_MEDIUM=amateur", "VALLEY_BROKER_URL=ssl://b.example:8883"},
			[]string{"error: POSTHOUSE_VALLEY_BROKER_URL uses TLS"}},
		{"password on an amateur link", []string{"VALLEY_MEDIUM=amateur", "VALLEY_BROKER_URL=tcp://b.example:1883", "VALLEY_USERNAME=u", "VALLEY_PASSWORD=x"},
			[]string{"error: POSTHOUSE_VALLEY_PASSWORD is a password"}},
		{"amateur network called internet", []string{"VALLEY_BROKER_URL=tcp://44.128.0.1:1883"}, []string{"warning: POSTHOUSE_VALLEY_BROKER_URL is in a network of radio amateurs"}},
		{"built-in broker for everybody", []string{"VALLEY_BROKER_URL", "VALLEY_BROKER_LISTEN=:1883"}, []string{"error: POSTHOUSE_VALLEY_BROKER_LISTEN can be reached"}},
		{"built-in broker for everybody by radio", []string{"VALLEY_BROKER_URL", "VALLEY_BROKER_LISTEN=:1883", "VALLEY_MEDIUM=amateur"},
			[]string{"warning: POSTHOUSE_VALLEY_BROKER_LISTEN lets anybody"}},
		{"built-in broker nowhere", []string{"VALLEY_BROKER_URL", "VALLEY_BROKER_LISTEN=1883"}, []string{`error: POSTHOUSE_VALLEY_BROKER_LISTEN is "1883"`}},
		{"two listeners in one place", []string{"VALLEY_BROKER_URL", "VALLEY_BROKER_LISTEN=127.0.0.1:2525"}, []string{"error: POSTHOUSE_POST_LISTEN is an address that another setting"}},
		{"listener behind one for every address", []string{"HTTP_LISTEN=127.0.0.1:2525"}, []string{"error: POSTHOUSE_POST_LISTEN is an address that another setting"}},
		{"password and file", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD=x", "VALLEY_PASSWORD_FILE=" + file(t, 0o600, "x")},
			[]string{"error: POSTHOUSE_VALLEY_PASSWORD and POSTHOUSE_VALLEY_PASSWORD_FILE are both set"}},
		{"password file is not there", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD_FILE=/nowhere"}, []string{"error: POSTHOUSE_VALLEY_PASSWORD_FILE names a file that cannot be read"}},
		{"password file is a device", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD_FILE=/dev/zero"}, []string{"error: POSTHOUSE_VALLEY_PASSWORD_FILE names a file that cannot be read: it is not a regular file"}},
		{"password file is too large", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD_FILE=" + file(t, 0o600, strings.Repeat("x", maxSecret+1))},
			[]string{"error: POSTHOUSE_VALLEY_PASSWORD_FILE names a file that cannot be read: it is larger"}},
		{"password file is empty", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD_FILE=" + file(t, 0o600, "\n")}, []string{"error: POSTHOUSE_VALLEY_PASSWORD_FILE names a file that is empty"}},
		{"password file has two lines", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD_FILE=" + file(t, 0o600, "a\nb\n")}, []string{"error: POSTHOUSE_VALLEY_PASSWORD_FILE holds a control character, more than one line"}},
		{"password file for everybody", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD_FILE=" + open}, []string{"warning: POSTHOUSE_VALLEY_PASSWORD_FILE names a file that everybody on this machine may open (mode 0644)"}},

		// What a mesh says.
		{"topic with a wildcard in a word", []string{"VALLEY_FROM_TOPIC=a/b+"}, []string{`error: POSTHOUSE_VALLEY_FROM_TOPIC is "a/b+"`}},
		{"topic with # in the middle", []string{"VALLEY_FROM_TOPIC=a/#/b"}, []string{`error: POSTHOUSE_VALLEY_FROM_TOPIC is "a/#/b"`}},
		{"sending to a wildcard", []string{"VALLEY_TO_TOPIC=a/+"}, []string{`error: POSTHOUSE_VALLEY_TO_TOPIC is "a/+"`}},
		{"reading what is sent", []string{"VALLEY_FROM_TOPIC=a", "VALLEY_TO_TOPIC=a"}, []string{"error: POSTHOUSE_VALLEY_TO_TOPIC is the topic that is read too"}},
		{"no mesh name with a trunk", []string{"VALLEY_MESH"}, []string{"error: POSTHOUSE_VALLEY_MESH is missing"}},
		{"mesh name with a slash", []string{"VALLEY_MESH=a/b"}, []string{`error: POSTHOUSE_VALLEY_MESH is "a/b"`}},
		{"two meshes of one name", []string{"LINKS=valley,far,aprs,post,hill", "HILL_KIND=mesh", "HILL_OPEN_CHANNEL=yes", "HILL_MESH=valley", "HILL_BROKER_URL=tcp://127.0.0.1:1883"},
			[]string{"error: POSTHOUSE_HILL_MESH is the name of link valley's mesh too"}},
		{"what is sent comes back by a wildcard", []string{"VALLEY_FROM_TOPIC=valley/#"}, []string{"error: POSTHOUSE_VALLEY_TO_TOPIC is the topic that is read too"}},
		{"two meshes on one topic", []string{"LINKS=valley,far,aprs,post,hill", "HILL_KIND=mesh", "HILL_OPEN_CHANNEL=yes", "HILL_MESH=hill", "HILL_BROKER_URL=tcp://127.0.0.1:1883", "HILL_FROM_TOPIC=valley/from"},
			[]string{"error: POSTHOUSE_HILL_FROM_TOPIC is what link valley reads too"}},
		{"two meshes, of which one reads all topics of the other", []string{"LINKS=valley,far,aprs,post,hill", "HILL_KIND=mesh", "HILL_OPEN_CHANNEL=yes", "HILL_MESH=hill", "HILL_BROKER_URL=tcp://127.0.0.1:1883", "HILL_FROM_TOPIC=+/from"},
			[]string{"error: POSTHOUSE_HILL_FROM_TOPIC is what link valley reads too"}},
		{"pointer without slash", []string{"VALLEY_FIELD_FROM=from"}, []string{`error: POSTHOUSE_VALLEY_FIELD_FROM is "from"; write a JSON Pointer, such as /from`}},
		{"pointer with a wrong escape", []string{"VALLEY_FIELD_SNR=/a~2"}, []string{`error: POSTHOUSE_VALLEY_FIELD_SNR is "/a~2"`}},
		{"latitude alone", []string{"VALLEY_FIELD_LON="}, []string{"error: POSTHOUSE_VALLEY_FIELD_LAT and POSTHOUSE_VALLEY_FIELD_LON belong together"}},
		{"template without call sign", []string{"VALLEY_TO_TEMPLATE=BAD"}, []string{"error: POSTHOUSE_VALLEY_TO_TEMPLATE does not work: it leaves out the call sign"}},
		{"refusing everybody", []string{"VALLEY_UNKNOWN=refuse"}, []string{"error: POSTHOUSE_VALLEY_UNKNOWN is refuse, and no station is known"}},
		{"stations file is not there", []string{"VALLEY_STATIONS_FILE=/nowhere"}, []string{"error: POSTHOUSE_VALLEY_STATIONS_FILE names a file that cannot be read"}},
		{"stations file with a wrong line", []string{"VALLEY_STATIONS_FILE=" + file(t, 0o644, "# us\n!0a1b N0QRA Ann\n!0a1c\n")}, []string{"error: POSTHOUSE_VALLEY_STATIONS_FILE line 3 has no call sign"}},
		{"channel not looked at", []string{"VALLEY_OPEN_CHANNEL"}, []string{"warning: POSTHOUSE_VALLEY_OPEN_CHANNEL is not yes"}},
		{"yes misspelt", []string{"VALLEY_OPEN_CHANNEL=ja"}, []string{`error: POSTHOUSE_VALLEY_OPEN_CHANNEL is "ja"; write yes or no`}},
		{"tiny frames", []string{"VALLEY_MAX_BYTES=10"}, []string{"error: POSTHOUSE_VALLEY_MAX_BYTES is out of range; write a number from 20 to 65535"}},
		{"no number", []string{"VALLEY_MAX_PARTS=four"}, []string{`error: POSTHOUSE_VALLEY_MAX_PARTS is "four", not a whole number`}},
		{"resends below zero", []string{"VALLEY_RESENDS=-1"}, []string{"error: POSTHOUSE_VALLEY_RESENDS is out of range"}},
		{"charset", []string{"VALLEY_CHARSET=latin1"}, []string{`error: POSTHOUSE_VALLEY_CHARSET is "latin1"`}},

		// The mesh's radio.
		{"spreading factor", []string{"VALLEY_SF=13"}, []string{"error: POSTHOUSE_VALLEY_SF is out of range"}},
		{"radio without bandwidth", []string{"VALLEY_SF=9", "VALLEY_CR=4/5", "VALLEY_OVERHEAD_BYTES=16"}, []string{"error: POSTHOUSE_VALLEY_BW is missing"}},
		{"radio without coding rate", []string{"VALLEY_SF=9", "VALLEY_BW=125", "VALLEY_OVERHEAD_BYTES=16"}, []string{"error: POSTHOUSE_VALLEY_CR is missing"}},
		{"bandwidth of no radio", []string{"VALLEY_SF=9", "VALLEY_BW=100", "VALLEY_CR=4/5", "VALLEY_OVERHEAD_BYTES=16"}, []string{"error: POSTHOUSE_VALLEY_BW is a setting that no radio has"}},
		{"coding rate", []string{"VALLEY_SF=9", "VALLEY_BW=125", "VALLEY_CR=5/4", "VALLEY_OVERHEAD_BYTES=16"}, []string{`error: POSTHOUSE_VALLEY_CR is "5/4"`}},
		{"bandwidth is not a number", []string{"VALLEY_SF=9", "VALLEY_BW=NaN", "VALLEY_CR=4/5", "VALLEY_OVERHEAD_BYTES=16"}, []string{`error: POSTHOUSE_VALLEY_BW is "NaN", not a number`}},
		{"bandwidth without spreading factor", []string{"VALLEY_BW=125"}, []string{"error: POSTHOUSE_VALLEY_SF is missing, and POSTHOUSE_VALLEY_BW is set"}},
		{"no header counted", []string{"VALLEY_SF=9", "VALLEY_BW=125", "VALLEY_CR=4/5"}, []string{"warning: POSTHOUSE_VALLEY_OVERHEAD_BYTES is 0"}},
		{"more than a LoRa frame", []string{"VALLEY_SF=9", "VALLEY_BW=125", "VALLEY_CR=4/5", "VALLEY_OVERHEAD_BYTES=16", "VALLEY_MAX_BYTES=240"},
			[]string{"warning: POSTHOUSE_VALLEY_MAX_BYTES with POSTHOUSE_VALLEY_OVERHEAD_BYTES is more than the 255 bytes"}},
		{"airtime of more than all", []string{"VALLEY_AIRTIME=101"}, []string{"error: POSTHOUSE_VALLEY_AIRTIME is out of range"}},
		{"reserve of everything", []string{"VALLEY_RESERVE=100"}, []string{"error: POSTHOUSE_VALLEY_RESERVE is out of range"}},
		{"frame above the budget", []string{"VALLEY_SF=12", "VALLEY_BW=7.8", "VALLEY_CR=4/8", "VALLEY_OVERHEAD_BYTES=16", "VALLEY_AIRTIME=1"},
			[]string{"warning: POSTHOUSE_VALLEY_MAX_BYTES allows frames that cost more"}},
		{"frame above the hard limit", []string{"VALLEY_SF=12", "VALLEY_BW=7.8", "VALLEY_CR=4/8", "VALLEY_OVERHEAD_BYTES=16", "VALLEY_AIRTIME=100", "VALLEY_DUTY=0.1"},
			[]string{"warning: POSTHOUSE_VALLEY_MAX_BYTES allows frames that cost more"}},

		// The trunk.
		{"second broker by another scheme", []string{"FAR_BROKER_URL=ssl://a.example:8883,mqtt://b.example:1883"}, []string{"error: POSTHOUSE_FAR_BROKER_URL is not a URL"}},
		{"second broker missing", []string{"FAR_BROKER_URL=ssl://a.example:8883,"}, []string{"error: POSTHOUSE_FAR_BROKER_URL is not a URL"}},
		{"password in the second URL", []string{"FAR_BROKER_URL=ssl://a.example:8883,ssl://u:x@b.example:8883"}, []string{"error: POSTHOUSE_FAR_BROKER_URL holds a user name"}},
		{"password in clear to the second broker", []string{"FAR_BROKER_URL=ssl://a.example:8883,tcp://b.example:1883", "FAR_USERNAME=u", "FAR_PASSWORD=x"},
			[]string{"warning: POSTHOUSE_FAR_BROKER_URL sends the password in clear"}},
		{"TLS to the second broker on an amateur link", []string{"FAR_MEDIUM=amateur", "FAR_BROKER_URL=tcp://a.example:1883,ssl://b.example:8883"}, []string{"error: POSTHOUSE_FAR_BROKER_URL uses TLS"}},
		{"two brokers of a mesh", []string{"VALLEY_BROKER_URL=tcp://127.0.0.1:1883,tcp://127.0.0.1:1884"}, []string{"error: POSTHOUSE_VALLEY_BROKER_URL lists several brokers"}},
		{"certificate for a broker without TLS", []string{"FAR_BROKER_URL=tcp://b.example:1883", "FAR_CERT_FILE=" + cert, "FAR_KEY_FILE=" + key},
			[]string{"error: POSTHOUSE_FAR_CERT_FILE has no effect", "error: POSTHOUSE_FAR_KEY_FILE has no effect"}},
		{"certificate on an amateur link", []string{"FAR_MEDIUM=amateur", "FAR_BROKER_URL=tcp://b.example:1883", "FAR_CA_FILE=" + cert},
			[]string{"error: POSTHOUSE_FAR_CA_FILE is for TLS"}},
		{"certificate without key", []string{"FAR_CERT_FILE=" + cert}, []string{"error: POSTHOUSE_FAR_KEY_FILE is missing"}},
		{"key without certificate", []string{"FAR_KEY_FILE=" + key}, []string{"error: POSTHOUSE_FAR_CERT_FILE is missing"}},
		{"another's key", []string{"FAR_CERT_FILE=" + cert, "FAR_KEY_FILE=" + other}, []string{"error: POSTHOUSE_FAR_CERT_FILE and POSTHOUSE_FAR_KEY_FILE are no pair"}},
		{"certificates are not there", []string{"FAR_CA_FILE=/nowhere"}, []string{"error: POSTHOUSE_FAR_CA_FILE names a file that cannot be read"}},
		{"certificate that has ended", []string{"FAR_BROKER_URL=ssl://b.example:8883", "FAR_CERT_FILE=" + old, "FAR_KEY_FILE=" + oldKey},
			[]string{"warning: POSTHOUSE_FAR_CERT_FILE has a certificate that ended on 2026-01-02; renew it"}},
		{"topic root with a wildcard", []string{"FAR_TOPIC_ROOT=a/#"}, []string{`error: POSTHOUSE_FAR_TOPIC_ROOT is "a/#"`}},
		{"topic root with a slash at its end", []string{"FAR_TOPIC_ROOT=a/"}, []string{`error: POSTHOUSE_FAR_TOPIC_ROOT is "a/"`}},
		{"no signing key", []string{"FAR_SIGNING_KEY_FILE"}, []string{"error: POSTHOUSE_FAR_SIGNING_KEY_FILE is missing"}},
		{"signing key for everybody", []string{"FAR_SIGNING_KEY_FILE=" + open}, []string{"warning: POSTHOUSE_FAR_SIGNING_KEY_FILE names a file that everybody"}},
		{"signing key that is none", []string{"FAR_SIGNING_KEY_FILE=" + bad}, []string{
			"error: POSTHOUSE_FAR_SIGNING_KEY_FILE names a file that cannot be used: line 1", "error: POSTHOUSE_FAR_SIGNING_KEY_FILE names a file that cannot be used: line 3"}},
		{"trust file with wrong lines", []string{"FAR_TRUST_FILE=" + bad}, []string{
			"error: POSTHOUSE_FAR_TRUST_FILE names a file that cannot be used: line 1", "error: POSTHOUSE_FAR_TRUST_FILE names a file that cannot be used: line 3"}},
		{"nobody trusted", []string{"FAR_TRUST_FILE"}, []string{"error: POSTHOUSE_FAR_TRUST_FILE is missing"}},
		{"trust file is not there", []string{"FAR_TRUST_FILE=/nowhere"}, []string{"error: POSTHOUSE_FAR_TRUST_FILE names a file that cannot be read"}},

		// APRS-IS.
		{"no server", []string{"APRS_SERVER"}, []string{"error: POSTHOUSE_APRS_SERVER is missing"}},
		{"server without port", []string{"APRS_SERVER=aprs.example"}, []string{`error: POSTHOUSE_APRS_SERVER is "aprs.example"`}},
		{"no passcode", []string{"APRS_PASSCODE"}, []string{"error: POSTHOUSE_APRS_PASSCODE is missing"}},
		{"passcode that only receives", []string{"APRS_PASSCODE=-1"}, []string{"error: POSTHOUSE_APRS_PASSCODE is -1"}},
		{"passcode that only receives, in a word", []string{"APRS_PASSCODE=None"}, []string{"error: POSTHOUSE_APRS_PASSCODE is None, with which the server takes nothing"}},
		{"passcode of a blank", []string{"APRS_PASSCODE= "}, []string{"error: POSTHOUSE_APRS_PASSCODE is missing"}},
		{"passcode of another", []string{"APRS_PASSCODE=666"}, []string{"error: POSTHOUSE_APRS_PASSCODE does not fit the call sign"}},
		{"third party", []string{"APRS_THIRD_PARTY=maybe"}, []string{`error: POSTHOUSE_APRS_THIRD_PARTY is "maybe"; write yes or no`}},
		{"filter with a line break", []string{"APRS_FILTER=r/1/2/3\r\nuser X"}, []string{"error: POSTHOUSE_APRS_FILTER holds a control character"}},

		// Mail.
		{"no domain", []string{"POST_DOMAIN"}, []string{"error: POSTHOUSE_POST_DOMAIN is missing"}},
		{"domain with an @", []string{"POST_DOMAIN=x@county.example"}, []string{`error: POSTHOUSE_POST_DOMAIN is "x@county.example"`}},
		{"mail neither in nor out", []string{"POST_LISTEN", "POST_SMARTHOST"}, []string{"error: POSTHOUSE_POST_LISTEN and POSTHOUSE_POST_SMARTHOST are both missing"}},
		{"mail in without a server", []string{"POST_LISTEN", "POST_DIRECTION=in"}, []string{"error: POSTHOUSE_POST_LISTEN is missing"}},
		{"mail out without a smarthost", []string{"POST_SMARTHOST", "POST_DIRECTION=out"}, []string{"error: POSTHOUSE_POST_SMARTHOST is missing"}},
		{"relays are believed", []string{"POST_RELAYS"}, []string{"warning: POSTHOUSE_POST_RELAYS are believed"}},
		{"relay by name", []string{"POST_RELAYS=mx.example"}, []string{`error: POSTHOUSE_POST_RELAYS has "mx.example"`}},
		{"smarthost without port", []string{"POST_SMARTHOST=mail.example"}, []string{`error: POSTHOUSE_POST_SMARTHOST is "mail.example"`}},
		{"mail in clear over the internet", []string{"POST_SMARTHOST_TLS=none"}, []string{"error: POSTHOUSE_POST_SMARTHOST_TLS is none"}},
		{"mail encrypted on an amateur link", []string{"POST_MEDIUM=amateur"}, []string{"error: POSTHOUSE_POST_SMARTHOST_TLS is starttls, which encrypts"}},
		{"mail password on an amateur link", []string{"POST_MEDIUM=amateur", "POST_SMARTHOST_TLS=none", "POST_SMARTHOST_USERNAME=u", "POST_SMARTHOST_PASSWORD=x"},
			[]string{"error: POSTHOUSE_POST_SMARTHOST_PASSWORD is a password"}},
		{"mailbox without port", []string{"POST_MAILBOX=imap.example", "POST_MAILBOX_USERNAME=u", "POST_MAILBOX_PASSWORD=x"}, []string{`error: POSTHOUSE_POST_MAILBOX is "imap.example"`}},
		{"mailbox without a name", []string{"POST_MAILBOX=imap.example:993", "POST_MAILBOX_VOUCHES=mx.example"}, []string{"error: POSTHOUSE_POST_MAILBOX_USERNAME is missing"}},
		{"mailbox without a password", []string{"POST_MAILBOX=imap.example:993", "POST_MAILBOX_USERNAME=u", "POST_MAILBOX_VOUCHES=mx.example"}, []string{"error: POSTHOUSE_POST_MAILBOX_PASSWORD is missing"}},
		{"mailbox in clear over the internet", []string{"POST_MAILBOX=imap.example:143", "POST_MAILBOX_USERNAME=u", "POST_MAILBOX_PASSWORD=x", "POST_MAILBOX_TLS=none", "POST_MAILBOX_VOUCHES=mx.example"}, []string{"error: POSTHOUSE_POST_MAILBOX_TLS is none"}},
		{"mailbox whose provider is not named", []string{"POST_MAILBOX=imap.example:993", "POST_MAILBOX_USERNAME=u", "POST_MAILBOX_PASSWORD=x"}, []string{"warning: POSTHOUSE_POST_MAILBOX_VOUCHES is missing"}},
		{"mailbox looked at too often", []string{"POST_MAILBOX=imap.example:993", "POST_MAILBOX_USERNAME=u", "POST_MAILBOX_PASSWORD=x", "POST_MAILBOX_VOUCHES=mx.example", "POST_MAILBOX_EVERY=1s"}, []string{"error: POSTHOUSE_POST_MAILBOX_EVERY is 1s"}},
		{"mailbox of another domain", []string{"POST_MAILBOX_ADDRESS=gateway@provider.example"}, []string{"error: POSTHOUSE_POST_MAILBOX_ADDRESS is"}},
		{"mail certificate on an amateur link", []string{"POST_MEDIUM=amateur", "POST_SMARTHOST_TLS=none", "POST_TLS_CERT_FILE=" + cert, "POST_TLS_KEY_FILE=" + key},
			[]string{"error: POSTHOUSE_POST_TLS_CERT_FILE is for TLS"}},
		{"smarthost name without password", []string{"POST_SMARTHOST_USERNAME=u"}, []string{"error: POSTHOUSE_POST_SMARTHOST_PASSWORD is missing"}},
		{"smarthost password without name", []string{"POST_SMARTHOST_PASSWORD=x"}, []string{"error: POSTHOUSE_POST_SMARTHOST_USERNAME is missing"}},
		{"allow without address", []string{"POST_ALLOW=N0QRA"}, []string{`error: POSTHOUSE_POST_ALLOW has "N0QRA"`}},
		{"allow with no call sign", []string{"POST_ALLOW=ann@club.example=ANN"}, []string{`error: POSTHOUSE_POST_ALLOW has "ANN"`}},
		{"a call sign for a whole domain", []string{"POST_ALLOW=*@club.example=N0QRA"}, []string{"error: POSTHOUSE_POST_ALLOW gives a pattern a call sign"}},
		{"huge mail", []string{"POST_MAX_MESSAGE_BYTES=1000000000"}, []string{"error: POSTHOUSE_POST_MAX_MESSAGE_BYTES is out of range"}},

		// Names that nothing reads.
		{"data folder for everybody", []string{"DATA_DIR=" + openFolder(t)}, []string{"warning: POSTHOUSE_DATA_DIR names a folder in which everybody on this machine may write (mode 0777)"}},
		{"a file for the data folder", []string{"DATA_DIR=check_test.go"}, []string{`error: POSTHOUSE_DATA_DIR is "check_test.go", and there is a file in that place; name a folder`}},
		{"a data folder in a file", []string{"DATA_DIR=check_test.go/data"}, []string{`error: POSTHOUSE_DATA_DIR is "check_test.go/data", and there is a file in that place`}},
		{"typo", []string{"DATADIR=x"}, []string{"error: POSTHOUSE_DATADIR is not a variable of posthouse; did you mean POSTHOUSE_DATA_DIR?"}},
		{"typo in a link's variable", []string{"VALLEY_MAX_BITES=100"}, []string{"error: POSTHOUSE_VALLEY_MAX_BITES is not a variable of posthouse; did you mean POSTHOUSE_VALLEY_MAX_BYTES?"}},
		{"typo in the link", []string{"VALEY_SF=9"}, []string{`error: POSTHOUSE_VALEY_SF is not a variable of posthouse; did you mean POSTHOUSE_VALLEY_SF, or forget "valey" in POSTHOUSE_LINKS?`}},
		{"link not named", []string{"HILLTOP_BROKER_URL=x"}, []string{`error: POSTHOUSE_HILLTOP_BROKER_URL is not a variable of posthouse; did you forget "hilltop" in POSTHOUSE_LINKS?`}},
		{"small letters", []string{"callsign=N0QRZ"}, []string{"error: POSTHOUSE_callsign is not a variable of posthouse; did you mean POSTHOUSE_CALLSIGN?"}},
		{"of another kind", []string{"VALLEY_SMARTHOST=x"}, []string{"error: POSTHOUSE_VALLEY_SMARTHOST does nothing: it is a setting of mail links"}},
		{"like nothing", []string{"XYZZY=x"}, []string{"error: POSTHOUSE_XYZZY is not a variable of posthouse; remove it"}},
		{"unreadable name", []string{"\x1b[2J=x"}, []string{`error: "POSTHOUSE_\x1b[2J" is not a variable`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, findings := Load(good(t).with(c.change...).environ(), hooks)
			if len(findings) != len(c.want) {
				t.Fatalf("got %d findings, want %d:\n%s", len(findings), len(c.want), lines(findings))
			}
			for i, f := range findings {
				if !strings.HasPrefix(f.String(), c.want[i]) {
					t.Errorf("got  %s\nwant %s", f, c.want[i])
				}
				if f.Advice == "" {
					t.Errorf("%s: does not say what to do", f)
				}
			}
		})
	}
}

// TestOneMistakeIsOneFinding: nothing is said besides that only follows from it.
func TestOneMistakeIsOneFinding(t *testing.T) {
	for _, c := range []struct {
		name   string
		change []string // the first is the mistake
		want   string
	}{
		{"no links", []string{"LINKS", "ROUTES=N0QRA*=aprs", "UNHEARD=far", "ALERT_TO=duty@county.example"}, "POSTHOUSE_LINKS is missing"},
		{"links in quotes", []string{`LINKS="valley,far,aprs,post"`, "ROUTES=N0QRA*=aprs"}, "POSTHOUSE_LINKS has quotation marks"},
		{"links without commas", []string{"LINKS=valley far aprs post", "UNHEARD=far"}, `POSTHOUSE_LINKS names a link "valley far aprs post"`},
		{"aliases", []string{"ALIASES=EOC:eoc@county.example", "ALERT_TO=EOC"}, `POSTHOUSE_ALIASES has "EOC:eoc@county.example"`},
		{"operators in quotes", []string{`OPERATORS_FILE="operators"`, "HTTP_LISTEN=192.0.2.1:8327"}, "POSTHOUSE_OPERATORS_FILE has quotation marks"},
		{"the placeholder and a passcode", []string{"CALLSIGN=N0CALL", "APRS_PASSCODE=666"}, "POSTHOUSE_CALLSIGN is the placeholder"},
		{"broker's address in quotes", []string{`VALLEY_BROKER_LISTEN="127.0.0.1:1884"`, "VALLEY_BROKER_URL"}, "POSTHOUSE_VALLEY_BROKER_LISTEN has quotation marks"},
		{"overhead", []string{"VALLEY_OVERHEAD_BYTES=many", "VALLEY_SF=11", "VALLEY_BW=250", "VALLEY_CR=4/5"}, `POSTHOUSE_VALLEY_OVERHEAD_BYTES is "many"`},
		{"coding rate in quotes", []string{`VALLEY_CR="4/5"`, "VALLEY_OVERHEAD_BYTES=16", "VALLEY_SF=11", "VALLEY_BW=250"}, "POSTHOUSE_VALLEY_CR has quotation marks"},
		{"spreading factor", []string{"VALLEY_SF=SF11", "VALLEY_BW=250", "VALLEY_CR=4/5", "VALLEY_DUTY=1"}, `POSTHOUSE_VALLEY_SF is "SF11"`},
		{"no spreading factor", []string{"VALLEY_SF", "VALLEY_BW=250", "VALLEY_CR=4/5", "VALLEY_DUTY=1"}, "POSTHOUSE_VALLEY_SF is missing, and POSTHOUSE_VALLEY_BW is set"},
		{"stations in quotes", []string{`VALLEY_STATIONS_FILE="stations"`, "VALLEY_UNKNOWN=refuse"}, "POSTHOUSE_VALLEY_STATIONS_FILE has quotation marks"},
		{"several brokers", []string{"FAR_BROKER_URL=one,two"}, "POSTHOUSE_FAR_BROKER_URL is not a URL of a broker"},
		{"a broker without ssl", []string{"FAR_BROKER_URL=broker.county.example:8883", "FAR_CA_FILE=" + file(t, 0o644, "")}, "POSTHOUSE_FAR_BROKER_URL is not a URL of a broker"},
		{"whom to trust", []string{"FAR_TRUST=everybody", "FAR_TRUST_FILE"}, `POSTHOUSE_FAR_TRUST is "everybody"`},
		{"direction of a trunk", []string{"FAR_DIRECTION=input", "FAR_SIGNING_KEY_FILE"}, `POSTHOUSE_FAR_DIRECTION is "input"`},
		{"direction of an APRS link", []string{"APRS_DIRECTION=input", "APRS_PASSCODE"}, `POSTHOUSE_APRS_DIRECTION is "input"`},
		{"medium of a broker of our own", []string{"VALLEY_MEDIUM=hamnet", "VALLEY_BROKER_URL", "VALLEY_BROKER_LISTEN=:1884"}, `POSTHOUSE_VALLEY_MEDIUM is "hamnet"`},
		{"medium of a broker", []string{"VALLEY_MEDIUM=hamnet", "VALLEY_BROKER_URL=tcp://44.0.0.1:1883"}, `POSTHOUSE_VALLEY_MEDIUM is "hamnet"`},
		{"medium of a smarthost", []string{"POST_MEDIUM=hamnet", "POST_SMARTHOST_TLS=none"}, `POSTHOUSE_POST_MEDIUM is "hamnet"`},
		{"groups of a mail link", []string{"POST_GROUPS=not-a-word"}, `POSTHOUSE_POST_GROUPS has "NOT-A-WORD"`},
		{"smarthost in quotes", []string{`POST_SMARTHOST="mail.county.example:587"`, "POST_LISTEN"}, "POSTHOUSE_POST_SMARTHOST has quotation marks"},
		{"mail domain in quotes", []string{`POST_DOMAIN="county.example"`, "POST_MAILBOX_ADDRESS=gateway@county.example"}, "POSTHOUSE_POST_DOMAIN has quotation marks"},
		{"who vouches", []string{`POST_MAILBOX_VOUCHES="mx.example"`, "POST_MAILBOX=imap.example:993", "POST_MAILBOX_USERNAME=a", "POST_MAILBOX_PASSWORD=b"}, "POSTHOUSE_POST_MAILBOX_VOUCHES has quotation marks"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, findings := Load(good(t).with(c.change...).environ(), hooks)
			if len(findings) != 1 || !strings.HasPrefix(findings[0].String(), "error: "+c.want) {
				t.Errorf("want only %q, got %q", c.want, findings)
			}
		})
	}
}

// TestRightSettings are the other side: what a rule must let through.
func TestRightSettings(t *testing.T) {
	cert, key := pair(t)
	for _, c := range []struct {
		name   string
		change []string
	}{
		{"call sign without SSID, in small letters", []string{"CALLSIGN=n0qrz"}},
		{"portable mark without an aprs link", []string{"CALLSIGN=N0QRZ/P", "LINKS=valley", "FAR_KIND", "FAR_BROKER_URL", "FAR_SIGNING_KEY_FILE", "FAR_TRUST_FILE",
			"APRS_KIND", "APRS_SERVER", "APRS_PASSCODE", "POST_KIND", "POST_DOMAIN", "POST_LISTEN", "POST_RELAYS", "POST_SMARTHOST"}},
		{"etcd where the build has it", []string{"STORE=etcd://a.example:2379,b.example:2379"}},
		{"no page", []string{"HTTP_LISTEN="}},
		{"page on IPv6 loopback", []string{"HTTP_LISTEN=[::1]:8327"}},
		{"alert to an alias", []string{"ALERT_TO=eoc", "ALIASES=EOC=eoc@county.example"}},
		{"alert, aliases, block", []string{"ALERT_TO=n0qra-7, duty@county.example", "ALIASES=EOC=eoc@county.example,TEAM3=N0QRC-3,NET=ALL", "BLOCK=N0QRY,N0QS*,*@spam.example"}},
		{"grid square", []string{"POSITION=CN86nm"}},
		{"country", []string{"COUNTRY=AT"}},
		{"exercise for some", []string{"EXERCISE=AUTUMN NET", "EXERCISE_STATIONS=N0QRA,N0QS*"}},
		{"routes of the contract", []string{"ROUTES=N0QRA*=far,*@*=far", "UNHEARD=far"}},
		{"password over TLS", []string{"FAR_USERNAME=u", "FAR_PASSWORD=x", "FAR_CERT_FILE=" + cert, "FAR_KEY_FILE=" + key, "FAR_CA_FILE=" + cert}},
		{"password to this machine", []string{"VALLEY_USERNAME=u", "VALLEY_PASSWORD=x"}},
		{"built-in broker with users", []string{"VALLEY_BROKER_URL", "VALLEY_BROKER_LISTEN=:1883", "VALLEY_USERNAME=u", "VALLEY_PASSWORD=x"}},
		{"several brokers of a trunk", []string{"FAR_BROKER_URL=ssl://a.example:8883, tcp://127.0.0.1:1883"}},
		{"signed trunk by radio", []string{"FAR_MEDIUM=amateur", "FAR_BROKER_URL=tcp://44.0.0.1:1883"}},
		{"trunk that only listens needs no key", []string{"FAR_DIRECTION=in", "FAR_SIGNING_KEY_FILE"}},
		{"trunk that trusts any needs no list", []string{"FAR_TRUST=any", "FAR_TRUST_FILE"}},
		{"aprs that only listens needs no passcode", []string{"APRS_DIRECTION=in", "APRS_PASSCODE"}},
		{"aprs that only listens may say so twice", []string{"APRS_DIRECTION=in", "APRS_PASSCODE=-1"}},
		{"passcode by radio is no secret", []string{"APRS_MEDIUM=amateur"}},
		{"mail in clear to this machine", []string{"POST_SMARTHOST=127.0.0.1:25", "POST_SMARTHOST_TLS=none"}},
		{"mail in clear by radio", []string{"POST_MEDIUM=amateur", "POST_SMARTHOST_TLS=none"}},
		{"allow of each kind", []string{"POST_ALLOW=ann@club.example=N0QRA, bob@club.example, *@county.example"}},
		{"mail only from a mailbox", []string{"POST_LISTEN", "POST_DIRECTION=in", "POST_MAILBOX=imap.example:993", "POST_MAILBOX_USERNAME=u", "POST_MAILBOX_PASSWORD=x", "POST_MAILBOX_VOUCHES=mx.example"}},
		{"group mail", []string{"POST_GROUPS=all", "POST_GROUP_TO=net@county.example"}},
		{"fields that the mesh does not have", []string{"VALLEY_FIELD_LAT=", "VALLEY_FIELD_LON=", "VALLEY_FIELD_SNR=", "VALLEY_FIELD_ID=/a/0/b~1c"}},
		{"topics with wildcards to read", []string{"VALLEY_FROM_TOPIC=mesh/+/json/#"}},
		{"template of several lines", []string{"VALLEY_TO_TEMPLATE={\n\t}"}},
		{"stations", []string{"VALLEY_STATIONS_FILE=" + file(t, 0o644, "!0a1b N0QRA Ann\n"), "VALLEY_UNKNOWN=refuse"}},
		{"radio", []string{"VALLEY_SF=9", "VALLEY_BW=125", "VALLEY_CR=4/5", "VALLEY_OVERHEAD_BYTES=16", "VALLEY_DUTY=10"}},
		{"port 0 twice", []string{"HTTP_LISTEN=127.0.0.1:0", "POST_LISTEN=127.0.0.1:0"}},
		{"settings of others", []string{"", "PATH"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			env := good(t).with(c.change...)
			delete(env, Prefix)
			if _, findings := Load(append(env.environ(), "POSTHOUSE=x", "PATH=/bin", "CALLSIGN=x"), hooks); len(findings) > 0 {
				t.Errorf("%s", lines(findings))
			}
		})
	}
}

func TestEveryFaultIsFoundInOneRun(t *testing.T) {
	_, findings := Load(good(t).with("CALLSIGN=HELLO", "RATE=fast", "VALLEY_CHARSET=x", "FAR_TRUST=x", "POST_ALLOW=x", "TYPO=x").environ(), hooks)
	if len(findings) != 6 {
		t.Errorf("got %d findings, want 6:\n%s", len(findings), lines(findings))
	}
}

func TestNothingSet(t *testing.T) {
	c, findings := Load(nil, Hooks{})
	want := "error: POSTHOUSE_CALLSIGN is missing; set it: this gateway's own call sign with SSID; identifies all that it sends\n" +
		"error: POSTHOUSE_LINKS is missing; set it: the links' names, a to z and 0 to 9; each has variables POSTHOUSE_<NAME>_..."
	if got := lines(findings); got != want || c.DataDir != "posthouse-data" {
		t.Errorf("got %s\ndata in %q", got, c.DataDir)
	}
}

func TestEtcdIsRefusedByABuildWithoutIt(t *testing.T) {
	_, findings := Load(good(t).with("STORE=etcd://a.example:2379").environ(), Hooks{})
	if len(findings) != 1 || !strings.Contains(findings[0].Problem, "this build of posthouse does not have") {
		t.Errorf("%s", lines(findings))
	}
}

func lines(findings []Finding) string {
	var all []string
	for _, f := range findings {
		all = append(all, f.String())
	}
	return strings.Join(all, "\n")
}
