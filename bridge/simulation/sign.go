package simulation

// What follows is of worlds in which gateways sign: with which keys, whom they
// believe, and what people try who hold no key, or one of their own.

// sign decides whether gateways sign.
func (p *plan) sign() {
	p.signed = p.seed%8 == 3
	if !p.signed {
		return
	}
	p.any = p.more.IntN(3) == 0
}

// liar is a gateway that everybody believes, and that lies.
var liar = callSign(23, 15)

// believed are the gateways on everybody's list, with the numbers of their keys.
func (p *plan) believed() map[string][]int {
	all := map[string][]int{liar: {0}}
	for _, g := range p.gateways {
		all[g.call] = []int{0}
	}
	return all
}
