package config

import (
	"fmt"
	"os"
	"regexp"
	"strings"

	"go.yaml.in/yaml/v4"
)

// Secret reads a secret when it is used: from a file, without the line end at
// its end; from an environment variable if what is named begins with $, as a key
// ending in _env leaves it; or, if nothing is named, from the first of these
// environment variables that is set. It is "" if there is none of these.
func Secret(from string, env ...string) (string, error) {
	if name, ok := strings.CutPrefix(from, "$"); ok {
		v, set := os.LookupEnv(name)
		if !set || v == "" {
			return "", fmt.Errorf("reading a secret: the environment variable %s is not set", name)
		}
		return v, nil
	}
	if from != "" {
		data, err := os.ReadFile(from)
		if err != nil {
			return "", fmt.Errorf("reading a secret: %w", err)
		}
		return strings.TrimRight(string(data), "\r\n"), nil
	}
	for _, name := range env {
		if v := os.Getenv(name); v != "" {
			return v, nil
		}
	}
	return "", nil
}

// secretKeys are the two ways to a secret: a file that holds it, or an
// environment variable.
func secretKeys(what, example string, k Key) []Key {
	file, env := k, k
	file.Name, file.Kind, file.Example = what+"_file", File, example
	file.Doc += ": file that holds it"
	env.Name, env.Kind, env.Example = what+"_env", EnvName, "CELLAR_"+strings.ToUpper(what)
	env.Doc = "in place of " + file.Name + ", the environment variable that holds it"
	env.Default, env.Need, env.Instead = "none", false, file.Name
	return []Key{file, env}
}

// secret reads where a secret stands: a file's name, or $ and that of an
// environment variable; "" if the file does not say.
func (o object) secret(what string) string {
	file, env := o.get(what+"_file"), o.get(what+"_env")
	switch {
	case file != nil && env != nil:
		o.r.fail(env, "%s_env: %s_file stands here too; one of them", what, what)
	case file != nil:
		return o.r.path(file, what+"_file", "a file")
	case env != nil:
		return "$" + o.r.envName(env, what+"_env")
	}
	return ""
}

// needSecret is secret, and a fault if there is nothing.
func (o object) needSecret(what string) string {
	if o.get(what+"_env") == nil {
		o.need(what + "_file")
	}
	return o.secret(what)
}

var (
	variable = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
	inPath   = regexp.MustCompile(`^\$\{([A-Za-z_][A-Za-z0-9_]*)\}(/.*)$`)
)

func (r *reader) envName(n *yaml.Node, key string) string {
	s := r.scalar(n, key, "the name of an environment variable")
	if s != "" && !variable.MatchString(s) {
		r.fail(n, "%s: not the name of an environment variable, such as CELLAR_PASSWORD; the secret itself does not stand here", key)
		return ""
	}
	return s
}

// path reads a file's name, which may begin with an environment variable: so
// ${CREDENTIALS_DIRECTORY}/mqtt is a credential that systemd hands over.
func (r *reader) path(n *yaml.Node, key, want string) string {
	s := r.scalar(n, key, want)
	if !strings.HasPrefix(s, "$") {
		return s
	}
	m := inPath.FindStringSubmatch(s)
	if m == nil {
		r.fail(n, "%s: %q; an environment variable at its beginning is written ${NAME}/…", key, cut(s))
		return ""
	}
	v, set := "", false
	if r.lookup != nil {
		v, set = r.lookup(m[1])
	}
	if !set || v == "" {
		r.fail(n, "%s: the environment variable %s is not set", key, m[1])
		return ""
	}
	return v + m[2]
}

// file reads an optional file's name.
func (o object) file(key string) string {
	if n := o.get(key); n != nil {
		return o.r.path(n, key, "a file")
	}
	return ""
}
