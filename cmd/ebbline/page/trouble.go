package page

import (
	"path"
	"strings"
	"time"
)

// trouble is something wrong with the daemon, parted for the page.
type trouble struct {
	Head  string   // empty: Lines are a sentence
	Lines []string // one fault each
	Since time.Time
	Ahead bool // of the clock
}

// NoPhone begins the text of the health item that says that no notification
// channel is set up. That is a choice, not a failure: the page shows it as a
// note.
const NoPhone = "No phone is set up"

// mild tells what a person may want to know from what needs someone.
func mild(h HealthItem) bool {
	return h.Code == "channel" && strings.HasPrefix(h.Text, NoPhone)
}

// toldTrouble parts a health item into what failed and its faults.
func toldTrouble(h HealthItem) trouble {
	t := trouble{Since: h.Since, Ahead: h.Ahead}
	name := ""
	for l := range strings.Lines(h.Text) {
		l = strings.TrimSpace(l)
		if l == "" {
			continue
		}
		if h.Code == "batch-file" {
			var file string
			if file, l = fault(l); file != "" {
				name = file
			}
		}
		t.Lines = append(t.Lines, l)
	}
	switch {
	case h.Code != "batch-file":
	case name == "":
		t.Head = "A batch file cannot be used"
	default:
		t.Head = "Batch file " + name + " cannot be used"
	}
	return t
}

// fault parts "folder/pale.yaml:4:21: text" into the file's name and
// "line 4, column 21: text". A line that names no YAML file stays as it is.
func fault(l string) (file, text string) {
	for _, ext := range []string{".yaml:", ".yml:"} {
		before, after, ok := strings.Cut(l, ext)
		if !ok {
			continue
		}
		file = path.Base(before + strings.TrimSuffix(ext, ":"))
		at, text, ok := strings.Cut(strings.TrimSpace(after), ": ")
		line, column, two := strings.Cut(at, ":")
		if ok && two && digits(line) && digits(column) {
			return file, "line " + line + ", column " + column + ": " + text
		}
		return file, strings.TrimSpace(after)
	}
	return "", l
}

func digits(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
