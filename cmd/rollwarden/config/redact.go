package config

import (
	"bytes"
	"errors"

	"github.com/goccy/go-yaml"
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
// secret in it: hashes of passwords and the webhook's address. Everything else
// that is secret stands in files of its own. It fails rather than leave one in.
func WithoutSecrets(text []byte) ([]byte, error) {
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
