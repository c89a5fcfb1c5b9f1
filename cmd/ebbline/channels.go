package main

import (
	"fmt"

	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
)

// newChannels makes the ways to reach a person that the configuration names.
func newChannels(cfg *config.Config) ([]deliver.Channel, error) {
	var all []deliver.Channel
	for _, c := range cfg.Notify {
		token, err := config.Secret(c.TokenFile)
		if err != nil {
			return nil, fmt.Errorf("notify %s: %w", c.Name, err)
		}
		var ch deliver.Channel
		switch c.Kind {
		case "webhook":
			ch, err = deliver.NewWebhook(deliver.WebhookConfig{Name: c.Name, URL: c.URL, Token: token})
		case "ntfy":
			ch, err = deliver.NewNtfy(deliver.NtfyConfig{Name: c.Name, URL: c.URL, Token: token})
		default:
			err = fmt.Errorf("notify %s: no channel of kind %q", c.Name, c.Kind)
		}
		if err != nil {
			return nil, err
		}
		all = append(all, deliver.Only(ch, c.Severities...))
	}
	return all, nil
}
