package config

import (
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"
)

// NeedRestart lists the keys, such as mqtt.listen, whose values in next differ
// from those in begun and are taken up at a start only.
func NeedRestart(begun, next *Config) []string {
	var changed []string
	for path := range begun.fixed {
		if next.fixed[path] != begun.fixed[path] {
			changed = append(changed, path)
		}
	}
	for path := range next.fixed {
		if _, known := begun.fixed[path]; !known {
			changed = append(changed, path)
		}
	}
	slices.Sort(changed)
	return changed
}

// Under is what a daemon that began with begun goes by once it has taken up c:
// what needs a restart stays as it was.
func (c *Config) Under(begun *Config) *Config {
	out := *c
	out.Data, out.Page, out.Mirror, out.Zone, out.Units, out.Batch = begun.Data, begun.Page, begun.Mirror, begun.Zone, begun.Units, begun.Batch
	out.MQTT = begun.MQTT
	if begun.MQTT.URL == "" && c.MQTT.URL == "" {
		out.MQTT.Users = c.MQTT.Users
	}
	return &out
}

// fixedOf collects the values of keys that need a restart, by path.
func fixedOf(o object, path string, into map[string]string) {
	for _, k := range o.keys.Keys {
		n := o.get(k.Name)
		at := strings.TrimPrefix(path+"."+k.Name, ".")
		switch {
		case n == nil:
		case k.Restart:
			into[at] = flat(n)
		case k.Kind == Object && n.Kind == yaml.MappingNode:
			fixedOf((&reader{}).object(n, k.Of()), at, into)
		}
	}
}

// flat is a text that is the same for two nodes that say the same.
func flat(n *yaml.Node) string {
	var w strings.Builder
	w.WriteString(n.Value)
	for _, c := range n.Content {
		w.WriteString("\x00" + flat(c))
	}
	return w.String()
}
