package main

import (
	"fmt"
	"time"

	"posthouse/adapters/web"
)

type exerciseCmd struct {
	Start exerciseStartCmd `cmd:"" help:"Mark the texts of those who take part, from now on."`
	Stop  exerciseStopCmd  `cmd:"" help:"Mark no more texts."`
}

type exerciseStartCmd struct {
	Name string `arg:"" help:"The exercise's name."`
}

// Run starts an exercise.
func (c exerciseStartCmd) Run(s streams, environ env) error {
	a, err := ask(environ, "exercise/start", web.ExerciseRequest{Name: c.Name})
	if err == nil && a.Exercise != nil {
		fmt.Fprintf(s.out, "exercise %s since %s\n", a.Exercise.Name, a.Exercise.Since)
	}
	return err
}

type exerciseStopCmd struct{}

// Run ends it, and says how to get the report.
func (exerciseStopCmd) Run(s streams, environ env) error {
	a, err := ask(environ, "exercise/stop", struct{}{})
	if err == nil && a.Exercise != nil {
		fmt.Fprintf(s.out, "exercise %s is over; what happened in it:\n  posthouse report --since %s --format html > FILE\n",
			a.Exercise.Name, a.Exercise.Since.At.UTC().Format(time.RFC3339))
	}
	return err
}
