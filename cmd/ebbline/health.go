package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// stuckAfter is how long the watches may be without a round before the daemon
// no longer counts as making progress.
const stuckAfter = 30 * time.Second

// health lists what is well and what is not, one source for page, /readyz and
// metrics. What the whole daemon rests on comes first.
func (d *daemon) health() []page.HealthItem {
	items := []page.HealthItem{d.journalHealth(), d.brokerHealth(), d.watchHealth()}
	if all := slices.DeleteFunc(d.journal.Damaged(), d.keeper.lostFor); len(all) > 0 { // those are told of with the watches
		items = append(items, page.HealthItem{Code: "damage", Text: d.damageWords(all), Since: d.started})
	}
	items = append(items, d.anewHealth()...)
	if phone := d.phoneHealth(); phone != nil {
		items = append(items, *phone)
	}
	items = append(items, d.channelHealth()...)
	if len(d.conf().OnCrashNow) > 0 {
		items = append(items, item("command", d.commands.trouble(), "Commands on crash-now are ready.", d.started))
	}
	if problem := d.states.trouble(); problem != "" {
		items = append(items, page.HealthItem{Code: "state", Text: "Others on the broker see an old state: " + problem, Since: d.started})
	}
	if w := d.watcher.Load(); w != nil {
		items = append(items, w.health())
	}
	if d.mirror != nil {
		st := d.mirror.Status()
		items = append(items, item("mirror", st.Problem, "The mirror takes every reading.", st.Since))
	}
	if problem := d.keeper.crowded(); problem != "" {
		items = append(items, page.HealthItem{Code: "memory", Text: problem, Since: d.started})
	}
	if space := d.space.Load(); space != nil {
		items = append(items, *space)
	}
	items = append(items, d.calibrationHealth()...)
	items = append(items, d.reloadHealth()...)
	items = append(items, d.clocks.health(d.clock.Now())...)
	d.folderMu.Lock()
	defer d.folderMu.Unlock()
	files := make([]string, 0, len(d.folderFaults))
	for f := range d.folderFaults {
		files = append(files, f)
	}
	sort.Strings(files)
	for _, f := range files {
		items = append(items, page.HealthItem{Code: "batch-file", Text: d.folderFaults[f], Since: d.started})
	}
	return items
}

// damageWords say what of the record was changed on the disk.
func (d *daemon) damageWords(all []string) string {
	const most = 3
	more, right := "", putRightWords(all, d.keeper.unended())
	if n := len(all) - most; n > 0 {
		all, more = all[:most], fmt.Sprintf("; and %d more", n)
	}
	return fmt.Sprintf("The disk has changed what was recorded: %s%s. Nothing is decided by it, but a graph may still show it. Look at the beer yourself. %s ebbline check --data looks through all of the record.",
		strings.Join(all, "; "), more, right)
}

// putRightWords say what is done about what of the record was changed: of a batch
// that runs some entries can be struck out.
func putRightWords(all, running []string) string {
	strike := func(what string) bool {
		return journal.Strikable(what) && (strings.Contains(what, " (a note) ") || slices.ContainsFunc(running, func(id string) bool { return strings.Contains(what, " of batch "+id+" ") }))
	}
	some, rest := slices.ContainsFunc(all, strike), slices.ContainsFunc(all, func(what string) bool { return !strike(what) })
	const (
		first   = "A sample, a note or the start of a crash can be corrected or struck out on the page of its batch (“Correct or strike out an entry”), and is no damage any more. "
		restore = "top ebbline and restore a backup (ebbline restore). See to the disk or card before it takes more."
	)
	switch {
	case !some:
		return "S" + restore
	case rest:
		return first + "For the rest s" + restore
	}
	return first + "If that cannot be done, s" + restore
}

// item is well while there is no problem.
func item(code, problem, well string, since time.Time) page.HealthItem {
	if problem != "" {
		return page.HealthItem{Code: code, Text: problem, Since: since}
	}
	return page.HealthItem{Code: code, OK: true, Text: well, Since: since}
}

func (d *daemon) journalHealth() page.HealthItem {
	h := d.journal.Health()
	return item("journal", h.Problem, "The record can be written.", h.Since)
}

func (d *daemon) brokerHealth() page.HealthItem {
	if d.source == nil {
		return page.HealthItem{Code: "broker", Text: "Not connected yet.", Since: d.started}
	}
	st := d.source.Status()
	if !st.Connected && st.Problem == "" {
		st.Problem = "Not connected to the broker: no reading can arrive. It is tried again every few seconds."
	}
	good := "Readings can arrive."
	if st.Dismissed > 0 {
		good += fmt.Sprintf(" Connections turned away since the start: %s, the last at %s, because: %s.",
			thousands(int64(st.Dismissed)), st.LastDismissed.At.In(d.conf().Location()).Format("15:04 on 2 January"), st.LastDismissed.Why) //nolint:gosec // a count
	}
	return item("broker", st.Problem, good, st.Since)
}

// subscribed is brokerHealth without what is only a worry: well once the
// connection stands and the broker has granted every subscription.
func (d *daemon) subscribed() page.HealthItem {
	h := d.brokerHealth()
	st := d.source.Status()
	h.OK = st.Connected
	for _, f := range st.Filters {
		h.OK = h.OK && f.Granted
	}
	return h
}

func (d *daemon) watchHealth() page.HealthItem {
	problem, before := "", false
	if beat := max(d.beat.Load(), d.pulse.stepped.Load()); beat != 0 && age(beat) > stuckAfter {
		problem = fmt.Sprintf("The watches have not moved for %v; restart the daemon if this stays.", age(beat).Round(time.Second))
	}
	if batch, until := d.keeper.ahead(); batch != "" {
		before = true
		problem = fmt.Sprintf("The clock of this machine was set back: batch %s has been looked at up to %s already, and nothing falls due for it before that. If the clock is wrong now, set it. If it is right now, say so: what was recorded ahead of it is then taken back, and every batch is looked at again.",
			batch, until.In(d.conf().Location()).Format("2 January 15:04"))
	}
	if err := d.keeper.faulty(); err != nil {
		problem = "A watch could not go on and is tried again: " + err.Error()
	}
	if lost := d.keeper.unwatched(); lost != "" {
		problem = strings.TrimSpace(lost + "\n" + problem)
	}
	h := item("watches", problem, "Every batch is watched.", d.started)
	h.Ahead = before
	return h
}

// phoneHealth says whether any channel reaches a person; nil if there is none.
func (d *daemon) phoneHealth() *page.HealthItem {
	h := phoneWords(d.ladder.Load().Status())
	if h != nil && h.Since.IsZero() {
		h.Since = d.started
	}
	return h
}

func phoneWords(all []deliver.Status) *page.HealthItem {
	var since time.Time
	var names []string
	for _, c := range all {
		if !c.Unreachable {
			if c.LastSuccess.IsZero() {
				return &page.HealthItem{Code: "phone", OK: true, Text: "No message had to be sent yet. Send a test to know that messages reach you."}
			}
			return &page.HealthItem{Code: "phone", OK: true, Text: "Messages get out by " + c.Name + ".", Since: c.LastSuccess}
		}
		names = append(names, c.Name)
		if since.Before(c.FailingSince) {
			since = c.FailingSince // the last one gave up then
		}
	}
	if len(names) == 0 {
		return nil
	}
	return &page.HealthItem{
		Code: "phone", Since: since,
		Text: fmt.Sprintf("No message gets out: %s took none for ten minutes or more. Alerts are only on this page until that works; look at it often.", strings.Join(names, ", ")),
	}
}

// channelHealth says of each channel whether its last message was accepted.
func (d *daemon) channelHealth() []page.HealthItem {
	var items []page.HealthItem
	for _, c := range d.ladder.Load().Status() {
		problem, good, since := "", c.Name+" takes messages.", c.LastSuccess
		if since.IsZero() {
			good, since = c.Name+" had no message to take yet.", d.started
		}
		if c.LastError != "" && c.LastFailure.After(c.LastSuccess) {
			problem = fmt.Sprintf("%s does not take messages: %s", c.Name, c.LastError)
			if c.ToldBy != "" {
				problem += ". That was told by " + c.ToldBy
			}
			since = c.LastFailure
		}
		items = append(items, item("channel", problem, good, since))
	}
	if len(items) == 0 && !d.demo {
		items = append(items, page.HealthItem{
			Code: "channel", Since: d.started,
			Text: page.NoPhone + ": alerts are only on this page. Add notify to the configuration.",
		})
	}
	return items
}

// endpoints are the machines' doors: no login, no beer.
func (d *daemon) endpoints() map[string]http.Handler {
	return map[string]http.Handler{
		"/metrics": promhttp.HandlerFor(newRegistry(d), promhttp.HandlerOpts{}),
		"/healthz": http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			answer(w, d.watchHealth())
		}),
		"/readyz": http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			answer(w, d.journalHealth(), d.subscribed(), d.watchHealth())
		}),
	}
}

// answer is 200 if every item is well, else 503; the items say why.
func answer(w http.ResponseWriter, items ...page.HealthItem) {
	code := http.StatusOK
	for _, i := range items {
		if !i.OK {
			code = http.StatusServiceUnavailable
		}
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(items) // the client may be gone
}
