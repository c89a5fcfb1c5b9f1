package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Schema is the JSON Schema (draft 2020-12) of configurations and batch files,
// for editors. What it refuses the reader refuses too; the reader refuses more:
// bounds of quantities with units, and what makes no sense together.
func Schema() ([]byte, error) {
	s := configKeys().schema()
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["title"] = "ebbline: configuration or batch file"
	var out bytes.Buffer
	w := json.NewEncoder(&out)
	w.SetEscapeHTML(false)
	w.SetIndent("", " ")
	if err := w.Encode(s); err != nil {
		return nil, fmt.Errorf("writing the schema: %w", err)
	}
	return out.Bytes(), nil
}

type schema = map[string]any

// schema is that of a mapping with these keys and no others.
func (k Keys) schema() schema {
	properties, required := schema{}, []string{}
	all := slices.Clone(k.Together)
	for _, one := range k.Keys {
		s := one.schema()
		switch {
		case one.Instead != "":
			all = append(all, schema{"not": needs(one.Instead, one.Name)})
			if k.key(one.Instead).Need {
				all = append(all, schema{"anyOf": []any{needs(one.Instead), needs(one.Name)}})
			}
			s = orNull(s)
		case !one.Need || k.replaced(one.Name):
			s = orNull(s)
		default:
			required = append(required, one.Name)
		}
		s["description"] = one.describe()
		properties[one.Name] = s
	}
	out := schema{"type": "object", "additionalProperties": false, "properties": properties}
	if len(required) > 0 {
		out["required"] = required
	}
	if len(all) > 0 {
		out["allOf"] = all
	}
	return out
}

// needs is the schema of a mapping that has these keys.
func needs(keys ...string) schema { return schema{"required": keys} }

// replaced reports whether another key may stand for this one.
func (k Keys) replaced(name string) bool {
	return slices.ContainsFunc(k.Keys, func(one Key) bool { return one.Instead == name })
}

// orNull allows an empty value, which is as if the key were absent.
func orNull(s schema) schema {
	s = maps.Clone(s)
	switch {
	case s["oneOf"] != nil:
		s["oneOf"] = append(slices.Clone(s["oneOf"].([]any)), schema{"type": "null"})
	case s["enum"] != nil:
		s["enum"] = append(slices.Clone(s["enum"].([]any)), nil)
	default:
		switch t := s["type"].(type) {
		case string:
			s["type"] = []string{t, "null"}
		case []string:
			s["type"] = append(slices.Clone(t), "null")
		}
	}
	return s
}

// Numbers as people write them, and what may follow them.
const (
	decimal  = `[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?`
	spanUnit = `(ns|us|µs|ms|s|m|h)`
)

// patterns are those of kinds that are texts.
func patterns(k Key) string {
	switch k.Kind {
	case File, Folder, Zone, HostName:
		return `\S`
	case EnvName:
		return variable.String()
	case Address:
		return "^(" + strings.Join(k.Words, "|") + ")://[^/?#@]+([/?#]|$)"
	case Service:
		return `^[A-Za-z0-9+.-]+://`
	case Listen:
		return `:[0-9]{1,5}$`
	case HostPort:
		return `^.+:[0-9]{1,5}$`
	case MailAddress:
		return `.@.`
	case Network:
		return `^[0-9A-Fa-f:.]+(/[0-9]{1,3})?$`
	case TimeOfDay:
		return `^ *([01]?[0-9]|2[0-3]):[0-5][0-9] *$`
	case Time:
		return `^ *[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}([.,][0-9]+)?(Z|[-+][0-9]{2}:[0-9]{2}) *$`
	case Temperature:
		return `^ *` + decimal + ` *(Cel|degF|K) *$`
	case Volume:
		return `^ *` + decimal + ` *[A-Za-z]+ *$`
	case Pointer:
		return `^(/.*)?$`
	case Topic:
		return `^[^+#]+$`
	case TopicFilter:
		return `^ *(#|([^+#/]*|\+)(/([^+#/]*|\+))*(/#)?) *$`
	case TimeSpan:
		return `^ *(0|([-+]? *([0-9]+\.?[0-9]*|\.[0-9]+) *` + spanUnit + ` *)+)$`
	}
	return ""
}

// schema is that of one value.
func (k Key) schema() schema {
	if p := patterns(k); p != "" {
		s := schema{"type": "string", "pattern": p}
		if k.Kind == TimeSpan {
			s["type"], s["minimum"], s["maximum"] = []string{"string", "integer"}, 0, 0 // a bare 0 needs no unit
		}
		if k.Of != nil {
			return schema{"oneOf": []any{s, k.Of().schema()}}
		}
		return s
	}
	switch k.Kind {
	case Object:
		return k.Of().schema()
	case List:
		s := schema{"type": "array", "items": k.Item.schema(), "maxItems": maxItems}
		if k.Low > 0 {
			s["minItems"] = int(k.Low)
		}
		return s
	case Word:
		words := make([]any, len(k.Words))
		for i, w := range k.Words {
			words[i] = w
		}
		return schema{"enum": words}
	case Flag:
		return schema{"enum": []any{true, false, "true", "false"}}
	case Number, Whole, Gravity, Ceiling:
		return k.numeric()
	}
	return schema{"type": []string{"string", "number", "boolean"}} // Text, Payload
}

// numeric is a number, or one in a text with what may stand around it.
func (k Key) numeric() schema {
	s := schema{"type": []string{"number", "string"}, "pattern": `^ *` + decimal + ` *$`}
	switch k.Kind {
	case Whole:
		s["multipleOf"] = 1
	case Gravity:
		s["pattern"] = `^ *` + decimal + ` *[A-Za-z°/0-9]* *$`
	case Ceiling:
		s["pattern"] = `^ *(<=?|≤)? *` + decimal + ` *%? *([A-Za-z]*) *$`
	}
	if k.bounded() {
		s["maximum"] = k.High
		if k.Open {
			s["exclusiveMinimum"] = k.Low
		} else {
			s["minimum"] = k.Low
		}
	}
	return s
}
