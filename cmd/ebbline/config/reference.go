package config

import (
	"fmt"
	"strings"
)

// describe says of a key what it means, what is allowed and its default, in
// plain text.
func (k Key) describe() string {
	text := firstUpper(k.Doc) + "."
	if a := k.allowed(); a != "" {
		text += " Allowed: " + a + "."
	}
	if k.Default != "" {
		text += " Default: " + k.Default + "."
	}
	if k.Kind == List && k.Item.allowed() != "" {
		text += " Each: " + k.Item.allowed() + "."
	}
	return text
}

func firstUpper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// allowed says what may stand behind the key, with unit and range.
func (k Key) allowed() string {
	switch k.Kind {
	case Word:
		return strings.Join(k.Words, ", ")
	case Address:
		return "URL with " + strings.Join(k.Words, ", ") + k.orFile()
	case Service:
		return "SERVICE://…" + k.orFile()
	case Listen:
		return "host:port to listen on; port 0 is any free one"
	case HostPort:
		return "host:port"
	case TimeOfDay:
		return `"00:00" to "23:59"`
	case Time:
		return "date, time and zone (RFC 3339)"
	case TimeSpan:
		return "time span, " + Span(span(k.Low)) + " to " + Span(span(k.High))
	case Temperature:
		return fmt.Sprintf("temperature in Cel, degF or K, %g to %g Cel", k.Low, k.High)
	case Volume:
		return fmt.Sprintf("volume with its unit, up to %.0f L", k.High)
	case Gravity:
		return fmt.Sprintf("SG %.3f to %.3f, or with plato", k.Low, k.High)
	case Ceiling, Number, Whole:
		return k.numberAllowed()
	case File:
		return "file; ${NAME}/ at its beginning is an environment variable"
	case List:
		if k.Low > 0 {
			return "list, at least one"
		}
		return "list"
	case Object:
		return ""
	}
	return string(k.Kind)
}

func (k Key) orFile() string {
	if k.Of == nil {
		return ""
	}
	return "; or {url_file: …}, {url_env: …}"
}

func (k Key) numberAllowed() string {
	kind := string(k.Kind)
	switch {
	case k.Kind == Ceiling:
		kind = "% ABV"
	case !k.bounded():
		return kind
	}
	if k.Open {
		return fmt.Sprintf("%s, more than %g up to %g", kind, k.Low, k.High)
	}
	return fmt.Sprintf("%s, %g to %g", kind, k.Low, k.High)
}

// Reference is the documentation of every key, in Markdown.
func Reference() []byte {
	var w strings.Builder
	w.WriteString(`# Every key of the configuration

Made by ` + "`ebbline check --reference`" + `; a test holds it equal. For editors that check YAML there is
[ebbline.schema.json](ebbline.schema.json): put ` + "`# yaml-language-server: $schema=PATH`" + ` into the first line, or use the editor's own setting.
A batch file has the keys ` + "`batch` and `sensors`" + ` only.

A quantity is a number with its unit: ` + "`19 L`, `5 gal`, `2 Cel`, `36 degF`, `5h`, `1h30m`" + `. **Start** marks keys whose change needs a restart; all
others are taken up by a reload (SIGHUP, ` + "`systemctl reload ebbline`" + `), with the contents of the files they name.

Secrets stand in files of their own (` + "`…_file`" + `, without the line end) or in environment variables (` + "`…_env`" + ` gives the name). Where neither is given,
` + "`" + MQTTPasswordEnv + "`, `" + InfluxTokenEnv + "` and `" + MailPasswordEnv + "`" + ` are looked at. ` + "`${CREDENTIALS_DIRECTORY}/mqtt`" + ` is a credential handed over by systemd.
`)
	section(&w, "", configKeys(), true)
	return []byte(w.String())
}

// section writes the table of one mapping and those of the mappings in it.
func section(w *strings.Builder, path string, keys Keys, top bool) {
	if top {
		w.WriteString("\n## The file\n")
	} else {
		fmt.Fprintf(w, "\n## `%s`\n", path)
	}
	w.WriteString("\n| key | means | allowed | default |\n| --- | --- | --- | --- |\n")
	for _, k := range keys.Keys {
		fmt.Fprintf(w, "| `%s`%s | %s | %s | %s |\n", k.Name, k.marks(), cell(k.Doc), cell(k.tableAllowed()), cell(k.defaultWords()))
	}
	for _, k := range keys.Keys {
		below := strings.TrimPrefix(path+"."+k.Name, ".")
		switch {
		case k.Kind == Object:
			section(w, below, k.Of(), false)
		case k.Kind == List && k.Item.Kind == Object:
			section(w, below+"[]", k.Item.Of(), false)
		}
	}
}

func (k Key) marks() string {
	m := ""
	if k.Need {
		m += " *needed*"
	}
	if k.Restart {
		m += " **Start**"
	}
	return m
}

func (k Key) tableAllowed() string {
	switch {
	case k.Kind == List && k.Item.Kind == Object:
		return "list of " + "`" + k.Name + "[]`"
	case k.Kind == List:
		return k.allowed() + " of: " + k.Item.allowed()
	case k.Kind == Object:
		return "keys below"
	}
	return k.allowed()
}

func (k Key) defaultWords() string {
	if k.Need || k.Default != "" {
		return k.Default
	}
	return "none"
}

// cell makes a text fit for a cell of a table.
func cell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }
