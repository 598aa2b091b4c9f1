package main

type demoCmd struct {
	Serve bool `help:"Keep it running afterwards."`
}

func (demoCmd) Run(s streams) error { return nil }
