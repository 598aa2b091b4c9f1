package config

// Operator is one who may act on the page.
type Operator struct {
	Call string
	Hash Secret // bcrypt
}

// Station is one line of a station list.
type Station struct {
	Node string // how the mesh calls it: a node id or its call sign
	Call string // its call sign; empty: it has none (third party)
	Name string

	MayText, MayMail, MayPosition bool
}
