package config

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/token"
)

// removed stands where a secret stood.
const removed = "removed-from-this-copy"

// guarded are the values of a configuration file that are held like secrets.
type guarded struct {
	Pager struct {
		Webhook struct {
			URL string `yaml:"url"`
		} `yaml:"webhook"`
	} `yaml:"pager"`
	HTTP struct {
		Users []struct {
			Hash string `yaml:"password_hash"`
		} `yaml:"users"`
	} `yaml:"http"`
}

func (g guarded) values() (all []string) {
	for _, u := range g.HTTP.Users {
		all = append(all, u.Hash)
	}
	return append(all, g.Pager.Webhook.URL)
}

// WithoutSecrets is the text of a configuration file without what is held like a
// secret in it: hashes of passwords, the webhook's address, and all comments, since
// nobody can tell what somebody has commented out. Everything else that is secret
// stands in files of its own, and every setting stays on its line. It fails rather
// than leave a secret in.
func WithoutSecrets(text []byte) ([]byte, error) {
	text, err := withoutComments(text)
	if err != nil {
		return nil, err
	}
	var was, is guarded
	if err := yaml.Unmarshal(text, &was); err != nil {
		return nil, err
	}
	for _, secret := range was.values() {
		if secret != "" {
			text = bytes.ReplaceAll(text, []byte(secret), []byte(removed))
		}
	}
	if err := yaml.Unmarshal(text, &is); err != nil {
		return nil, err
	}
	for _, left := range is.values() {
		if left != "" && left != removed {
			return nil, errors.New("a password hash or the webhook's address cannot be taken out: write them without quotes and escapes, or put them into files")
		}
	}
	return text, nil
}

// remark is a comment within its token, which has the space around it too.
var remark = regexp.MustCompile(`#[^\r\n]*`)

// withoutComments is a YAML text without its comments. It fails when what is left
// says anything else, or has a comment still.
func withoutComments(text []byte) ([]byte, error) {
	text = bytes.TrimPrefix(text, []byte("\ufeff")) // some editors put a mark first
	var b strings.Builder
	for _, t := range lexer.Tokenize(string(text)) {
		if t.Type == token.CommentType {
			b.WriteString(remark.ReplaceAllString(t.Origin, ""))
		} else {
			b.WriteString(t.Origin)
		}
	}
	var was, is any
	if err := yaml.Unmarshal(text, &was); err != nil {
		return nil, err
	}
	if err := yaml.Unmarshal([]byte(b.String()), &is); err != nil {
		return nil, fmt.Errorf("the comments cannot be taken out: %w", err)
	}
	if !reflect.DeepEqual(was, is) {
		return nil, errors.New("the comments cannot be taken out without a change of the settings: take them out by hand")
	}
	for _, t := range lexer.Tokenize(b.String()) {
		if t.Type == token.CommentType {
			return nil, fmt.Errorf("the comment at line %d cannot be taken out: take it out by hand", t.Position.Line)
		}
	}
	return []byte(b.String()), nil
}
