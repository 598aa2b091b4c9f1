package config

import "strings"

func (l *loader) checkTopics(k *Link) {
	m := k.Mesh
	if !isTopicFilter(m.FromTopic) {
		l.fail(k.variable("FROM_TOPIC"), "is "+quote(m.FromTopic), "write a topic, such as "+k.Name+"/from")
	}
	if !isTopic(m.ToTopic) {
		l.fail(k.variable("TO_TOPIC"), "is "+quote(m.ToTopic), "write a topic without wildcards, such as "+k.Name+"/to")
	}
	if Covers(m.FromTopic, m.ToTopic) {
		l.fail(k.variable("TO_TOPIC"), "is the topic that is read too", "what the gateway sends must not come back: choose another topic")
	}
	if m.Mesh != "" && !isMeshName(m.Mesh) {
		l.fail(k.variable("MESH"), "is "+quote(m.Mesh), "write 1 to 32 letters, digits, - or _")
	}
}

// isTopic tells whether s is a topic to publish to (MQTT 3.1.1 section 4.7).
func isTopic(s string) bool {
	return s != "" && len(s) <= 1024 && !strings.ContainsAny(s, "+#\x00") && !strings.HasPrefix(s, "$")
}

// isTopicFilter tells whether s is a topic to subscribe to: + stands for one
// whole level, # for all that follow (MQTT 3.1.1 section 4.7.1).
func isTopicFilter(s string) bool {
	levels := strings.Split(s, "/")
	for i, level := range levels {
		if strings.ContainsAny(level, "+#") && level != "+" && (level != "#" || i < len(levels)-1) {
			return false
		}
	}
	return isTopic(strings.NewReplacer("+", "x", "#", "x").Replace(s))
}

// Covers tells whether an MQTT topic filter matches a topic name that does not begin
// with $ (MQTT 3.1.1 section 4.7).
func Covers(filter, topic string) bool {
	want, have := strings.Split(filter, "/"), strings.Split(topic, "/")
	for i, level := range want {
		if level == "#" {
			return true
		}
		if i >= len(have) || level != "+" && level != have[i] {
			return false
		}
	}
	return len(want) == len(have)
}

func isMeshName(s string) bool {
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_') {
			return false
		}
	}
	return s != "" && len(s) <= 32
}

func (l *loader) checkFields(k *Link) {
	for _, v := range kindTable(k, KindMesh) {
		if !strings.HasPrefix(v.name, "FIELD_") {
			continue
		}
		if pointer := v.field.String(); !isPointer(pointer) {
			l.fail(k.variable(v.name), "is "+quote(pointer), "write a JSON Pointer, such as "+v.def(k.Name, k.Kind))
		}
	}
	if (k.Mesh.FieldLat == "") != (k.Mesh.FieldLon == "") {
		l.fail(k.variable("FIELD_LAT"), "and "+k.variable("FIELD_LON")+" belong together", "set both, or make both empty")
	}
}

// isPointer tells whether s is a JSON Pointer (RFC 6901 section 3); the empty
// one is "not read" here.
func isPointer(s string) bool {
	if s != "" && s[0] != '/' {
		return false
	}
	for i := range len(s) {
		if s[i] == '~' && (i+1 == len(s) || s[i+1] != '0' && s[i+1] != '1') {
			return false
		}
	}
	return len(s) <= 256
}

func (l *loader) checkTemplate(k *Link) {
	if k.Mesh.ToTemplate == "" || l.hooks.CheckTemplate == nil {
		return
	}
	if err := l.hooks.CheckTemplate(k.Mesh.ToTemplate); err != nil {
		why := strings.TrimLeft(strings.TrimPrefix(oneLine(err.Error()), "_TO_TEMPLATE"), ": ") // the finding names it already
		l.fail(k.variable("TO_TEMPLATE"), "does not work: "+strings.TrimPrefix(why, "does not work: "), "mend it, or remove it to send the default JSON")
	}
}

func (l *loader) checkStations(k *Link) {
	m := k.Mesh
	if m.StationsFile == "" {
		if m.Unknown != UnknownPass && !l.blames(k.variable("STATIONS_FILE")) {
			l.fail(k.variable("UNKNOWN"), "is "+m.Unknown+", and no station is known", "name a list in "+k.variable("STATIONS_FILE")+", or write pass")
		}
		return
	}
	name := k.variable("STATIONS_FILE")
	if data, ok := l.readFile(name, m.StationsFile, maxList); ok {
		stations, findings := ParseStations(string(data))
		m.Stations = stations
		l.addLines(name, findings)
	}
}

func (l *loader) checkOpenChannel(k *Link) {
	if !k.Mesh.OpenChannel {
		l.warn(k.variable("OPEN_CHANNEL"), "is not yes", "make sure that the mesh's radio channel is not encrypted, then set it to yes")
	}
}
