package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/cmd/ebbline/config"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/broker"
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
	items = append(items, d.batchFileHealth()...)
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

// subscribed reports whether the connection stands and the broker has granted every
// subscription. What may pass by itself, as one whose connections are short, is
// trouble in brokerHealth and no reason not to be ready.
func (d *daemon) subscribed() bool {
	if d.source == nil {
		return false
	}
	st := d.source.Status()
	return st.Connected && !slices.ContainsFunc(st.Filters, func(f broker.FilterStatus) bool { return !f.Granted })
}

func (d *daemon) watchHealth() page.HealthItem {
	problem, before := "", false
	if beat := max(d.beat.Load(), d.pulse.stepped.Load()); beat != 0 && age(beat) > stuckAfter {
		problem = fmt.Sprintf("The watches have not moved for %s; restart the daemon if this stays.", config.Span(age(beat).Round(time.Second)))
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
	h := phoneWords(d.urgentChannels())
	if h != nil && h.Since.IsZero() {
		h.Since = d.started
	}
	return h
}

// urgentChannels is how those fare that take what is urgent; all of them if none does.
func (d *daemon) urgentChannels() []deliver.Status {
	l := d.ladder.Load()
	all := l.Status()
	some := slices.DeleteFunc(slices.Clone(all), func(c deliver.Status) bool {
		return slices.ContainsFunc(l.rungs, func(r deliver.Rung) bool {
			return r.Name() == c.Name && len(r.Severities) > 0 && !slices.Contains(r.Severities, string(alert.Urgent))
		})
	})
	if len(some) == 0 {
		return all
	}
	return some
}

// phoneWords say by which channel messages get out. One whose last message failed is
// not said to take any, however often it did before.
func phoneWords(all []deliver.Status) *page.HealthItem {
	var since time.Time
	var names []string
	untried := ""
	for _, c := range all {
		switch failing := c.Unreachable || !c.FailingSince.IsZero(); {
		case failing:
			names = append(names, c.Name)
			if since.Before(c.FailingSince) {
				since = c.FailingSince // the last one gave up then
			}
		case c.LastSuccess.IsZero():
			untried = cmp.Or(untried, c.Name)
		default:
			return &page.HealthItem{Code: "phone", OK: true, Text: "Messages get out by " + c.Name + ".", Since: c.LastSuccess}
		}
	}
	const only = " Alerts are only on this page until that works; look at it often."
	tells := strings.Join(names, ", ")
	switch {
	case len(all) == 0:
		return nil
	case len(names) == 0:
		return &page.HealthItem{Code: "phone", OK: true, Text: "No message had to be sent yet. Send a test to know that messages reach you."}
	case untried != "":
		return &page.HealthItem{Code: "phone", OK: true, Text: untried + " had no message to take yet. Send a test to know that messages reach you."}
	case reachesNobody(all):
		return &page.HealthItem{Code: "phone", Since: since, Text: "No message gets out: " + tells + " took none for ten minutes or more." + only}
	}
	return &page.HealthItem{Code: "phone", Since: since, Text: "No message gets out now: the last that " + tells + " was to take failed." + only}
}

// reachesNobody reports whether no channel has taken a message for ten minutes.
func reachesNobody(all []deliver.Status) bool {
	return len(all) > 0 && !slices.ContainsFunc(all, func(c deliver.Status) bool { return !c.Unreachable })
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
			watches := d.watchHealth()
			answer(w, watches.OK, watches)
		}),
		"/readyz": http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			journal, watches := d.journalHealth(), d.watchHealth()
			items := []page.HealthItem{journal, d.brokerHealth(), watches}
			if d.bringsKey(r) {
				items = d.health()
			}
			answer(w, journal.OK && watches.OK && d.subscribed(), items...)
		}),
	}
}

// answer is 200 if all that is asked for is well, else 503; the items say why.
func answer(w http.ResponseWriter, ready bool, items ...page.HealthItem) {
	code := http.StatusOK
	if !ready {
		code = http.StatusServiceUnavailable
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(items) // the client may be gone
}
