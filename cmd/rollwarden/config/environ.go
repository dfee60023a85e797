package config

import (
	"cmp"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"rollwarden/rules/hint"
)

// Prefix begins the name of every variable that is read.
const Prefix = "ROLLWARDEN_"

// FileVariable names the configuration file.
const FileVariable = Prefix + "CONFIG"

// Variable is the name under which a key can be set from the environment:
// http.listen is ROLLWARDEN_HTTP_LISTEN.
func Variable(key string) string {
	return Prefix + strings.ToUpper(strings.ReplaceAll(key, ".", "_"))
}

// EnvNames lists every variable that is read, in the order of the file. Lists
// of words are written with commas. What is inside machines, stocks and the
// other lists and tables can only be set in the file.
func EnvNames() []string {
	names := []string{FileVariable}
	walkSettings("", reflect.ValueOf(Default()).Elem(), func(path string, _ field) {
		names = append(names, Variable(path))
	})
	return names
}

// variables picks Rollwarden's own out of an environment of "name=value". The
// last of two with one name counts, as when a program is started.
func variables(environ []string) map[string]string {
	vars := map[string]string{}
	for _, entry := range environ {
		name, value, _ := strings.Cut(entry, "=")
		if strings.HasPrefix(name, Prefix) {
			vars[name] = value
		}
	}
	return vars
}

// valueOf is the last value of a variable in an environment; empty for none.
func valueOf(variable string, environ []string) string {
	value := ""
	for _, entry := range environ {
		if name, text, _ := strings.Cut(entry, "="); name == variable {
			value = text
		}
	}
	return value
}

// override lays the environment over c and notes every variable that is not
// read: it may be the misspelt name of one that matters.
func (c *Config) override(vars map[string]string, p *problems) {
	unread := map[string]bool{}
	for name := range vars {
		unread[name] = name != FileVariable
	}
	walkSettings("", reflect.ValueOf(c).Elem(), func(path string, f field) {
		name := Variable(path)
		text, set := vars[name]
		if !set {
			return
		}
		unread[name] = false
		p.moved(path, place{variable: name})
		p.setVariable(path, f, text)
	})
	for _, t := range c.HTTP.Tokens {
		unread[t.Env] = false
	}
	for _, u := range c.NATS.Users {
		unread[u.Env] = false
	}
	for _, name := range slices.Sorted(maps.Keys(unread)) {
		if unread[name] {
			p.origins[name] = place{variable: name}
			p.note(name, "no such variable"+cmp.Or(hint.DidYouMean(name, EnvNames()), ": take it away"))
		}
	}
}

// moved says that a value now comes from another place. What was wrong with
// the old one stays listed: the file is still to be mended.
func (p *problems) moved(path string, to place) {
	maps.DeleteFunc(p.origins, func(k string, _ place) bool { return strings.HasPrefix(k, path+"[") })
	p.origins[path] = to
	delete(p.blamed, path)
}

func (p *problems) setVariable(path string, f field, text string) {
	switch {
	case f.secret && text == "":
		p.note(path, fmt.Sprintf("%s: want a secret, got an empty variable: fill it or take it away", path))
	case f.value.Type() == wordsType:
		f.value.Set(reflect.ValueOf(words(text)))
	default:
		p.assign(path, f.value, f.tag, text)
	}
}

// words splits a list that is written with commas.
func words(text string) []string {
	list := []string{}
	for w := range strings.SplitSeq(text, ",") {
		if w = strings.TrimSpace(w); w != "" {
			list = append(list, w)
		}
	}
	return list
}
