package ferment

// derivative writes dy/dt at state y into dy, per hour.
type derivative func(y, dy []float64)

// rungeKutta is the classical fourth-order method with a fixed step (Kutta
// 1901). Its buffers make a step free of allocations.
//
// A fixed step is enough here: the models are smooth but for a sugar running
// out, whose time constant K/(V·X) sets the step that a caller must choose
// (the method is stable up to 2.78 time constants).
type rungeKutta struct{ k1, k2, k3, k4, at []float64 }

func newRungeKutta(n int) *rungeKutta {
	return &rungeKutta{
		k1: make([]float64, n), k2: make([]float64, n), k3: make([]float64, n),
		k4: make([]float64, n), at: make([]float64, n),
	}
}

// step moves y on by h hours.
func (r *rungeKutta) step(y []float64, h float64, f derivative) {
	f(y, r.k1)
	r.probe(y, r.k1, h/2)
	f(r.at, r.k2)
	r.probe(y, r.k2, h/2)
	f(r.at, r.k3)
	r.probe(y, r.k3, h)
	f(r.at, r.k4)
	for i := range y {
		y[i] += h / 6 * (r.k1[i] + 2*r.k2[i] + 2*r.k3[i] + r.k4[i])
	}
}

func (r *rungeKutta) probe(y, slope []float64, h float64) {
	for i := range y {
		r.at[i] = y[i] + h*slope[i]
	}
}
