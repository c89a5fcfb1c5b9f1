package alert

import "ebbline/projection"

// Retold is an open alert as it would be raised now: words and figures of one
// moment.
type Retold struct {
	Title, Message string
	Estimate       *projection.Estimate
	Projection     *projection.Projection
}

// Retell says an open alert anew, as of the watch's clock; nil if it is not open,
// or if what it says does not hold just now though it is not over yet. Past says
// that it warns of what has come or gone meanwhile, and is not worth telling.
func (w *Watch) Retell(kind Kind, n int) (r *Retold, past bool) {
	v := w.view()
	for _, f := range judge(v) {
		if e := v.book.of(f.kind, f.subject); f.kind != kind || e.N != n || !e.Open {
			continue
		}
		if !f.holds && !f.anew {
			past = kind == SensorSilent && f.clears // it has spoken since
			break
		}
		r := &Retold{Estimate: &v.estimate, Projection: &v.projection}
		r.Title, r.Message = f.say()
		return r, false
	}
	return nil, past || kind == CrashSoon
}
