//go:build hub

package etcdstore

import (
	"testing"

	"posthouse/queue/queuetest/plant"
)

func TestPlantedBugsAreFound(t *testing.T) {
	if testing.Short() {
		t.Skip("builds a program with every bug in it")
	}
	plant.Field{Test: "TestWorlds", Flags: []string{"-test.failfast", "-test.timeout=6m"}, Tags: "hub", Tries: 200}.Find(t, bugs)
}

var bugs = []plant.Bug{
	{
		Name: "a record is changed without a look at its revision", File: "queue/etcdstore/plan.go",
		Old:     "		t.expect(k.record(seq), d.revision)\n",
		Planted: "		if !planted(%q) || d.revision == 0 {\n			t.expect(k.record(seq), d.revision)\n		}\n",
		Finds:   `was changed \d+ times`, Seed: 1,
	},
	{
		Name: "a text is stored without a look whether it is known", File: "queue/etcdstore/plan.go",
		Old:     "		if m.changed || !m.known {\n",
		Planted: "		if !planted(%q) && (m.changed || !m.known) {\n",
		Finds:   `is there 2 times|is record \d+ and record`, Seed: 1,
	},
	{
		Name: "whoever was taken for dead may write", File: "queue/etcdstore/settle.go",
		Old:     "	compare := append(t.compare, clientv3.Compare(clientv3.CreateRevision(mine), \"=\", life))\n",
		Planted: "	compare := append(t.compare, clientv3.Compare(clientv3.CreateRevision(mine), \"=\", life))\n	if planted(%q) {\n		compare = t.compare\n	}\n",
		Finds:   `wrote after its lease had ended|was changed \d+ times`, Seed: 1,
	},
	{
		Name: "a process takes its lease for good for longer than etcd does", File: "queue/etcdstore/hub.go",
		Old:     "func (n *session) holds() time.Duration { return n.ttl * 4 / 5 }\n",
		Planted: "func (n *session) holds() time.Duration {\n	if planted(%q) {\n		return 2 * n.ttl\n	}\n	return n.ttl * 4 / 5\n}\n",
		Finds:   `was sent twice|has two owners`, Seed: 1,
	},
	{
		Name: "a share is given up with something on its way", File: "queue/etcdstore/own.go",
		Old:     "			if p != nil && p.leaving && p.out == 0 {\n",
		Planted: "			if p != nil && p.leaving && (p.out == 0 || planted(%q)) {\n",
		Finds:   `was sent twice|has two owners`, Seed: 1,
	},
	{
		Name: "a write without an answer is taken for one that failed", File: "queue/etcdstore/settle.go",
		Old:     "	return s.settle(next)\n",
		Planted: "	if planted(%q) {\n		return false, nil\n	}\n	return s.settle(next)\n",
		Finds:   `was changed \d+ times`, Seed: 1,
	},
}
