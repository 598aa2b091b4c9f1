package config

func (l *loader) check() {}
