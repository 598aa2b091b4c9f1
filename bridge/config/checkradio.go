package config

func (l *loader) checkRadio(k *Link) {}
