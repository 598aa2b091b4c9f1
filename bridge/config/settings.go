package config

// Setting is one variable's effective value, for printing.
type Setting struct {
	Variable string
	Value    string // a secret as ***; the empty string is none
	Default  bool   // it is what it would be if the variable were not set
}

// Settings lists every effective setting of the gateway and its links, in the
// order of the table.
func Settings(c *Config) []Setting {
	base := table(c)
	list := settingsOf(Prefix, base, table(new(Config)), base, "", "")
	for i := range c.Links {
		k := c.Links[i] // a copy: the table may add the struct of the kind
		if k.Kind == "" {
			continue
		}
		fresh := linkTable(new(Link), k.Kind)
		list = append(list, settingsOf(linkPrefix(k.Name), linkTable(&k, k.Kind), fresh, base, k.Name, k.Kind)...)
	}
	return list
}

// settingsOf puts rows beside fresh rows that are given their defaults.
func settingsOf(prefix string, rows, fresh, base []variable, name, kind string) []Setting {
	list := make([]Setting, len(rows))
	for i, v := range rows {
		setDefault(fresh[i], base, name, kind)
		value := v.text()
		list[i] = Setting{prefix + v.name, value, value == fresh[i].text()}
	}
	return list
}
