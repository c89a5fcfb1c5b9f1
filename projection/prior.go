package projection

import (
	"math"
	"math/rand/v2"
)

// The parameters of one hypothesis about a batch, each on a scale on which its
// prior is normal: logarithms of positive numbers, logits of fractions.
const (
	pOG       = iota // original gravity, points
	pRate            // log of the highest rate on simple sugars at 18 °C, points/h
	pSecond          // log of the rate on complex sugars over that on simple ones
	pLag             // log of the lag at 18 °C, h
	pPitched         // logit of the yeast pitched as a share of what it can grow to
	pCrowd           // log of the points consumed at which half of the growth is done
	pSimple          // logit of the share of the extract that is simple sugar
	pComplex         // logit of the share of the rest that the yeast can use
	pEnergy1         // activation energy of the uptake of simple sugars, kJ/mol
	pEnergy2         // how much that of complex sugars is higher, kJ/mol
	pHalf            // log of the half saturation of uptake, points
	pRepress         // log of the simple sugar that halves the uptake of complex ones, points
	pSettle          // log of the rate of settling in the cold, 1/h
	pCool            // log of the cooling time constant over the brewer's
	pBend1           // by how much the rate strays from the model at bend1 consumed, a share
	pBend2           // the same at bend2
	pBend3           // the same at bend3 and beyond
	numParams        // how many there are
)

// Now and then a batch is strange in one respect: with a small chance a
// parameter comes from a prior this many times as wide. How the yeast starts is
// strange more often: it can be half dead, or pitched in plenty.
const (
	strangers = 0.008
	starters  = 0.03
	strange   = 3.0
)

// strangeness is the chance that parameter k is strange.
func strangeness(k int) float64 {
	switch k {
	case pLag, pPitched:
		return starters
	case pOG:
		return blunders
	}
	return strangers
}

// origin is where a batch comes from.
type origin int

const (
	native  origin = iota // as the priors say
	foreign               // all that shapes its course from priors twice as wide
	awake                 // pitched with plenty of yeast from a fermentation under way: hardly a lag (common practice)
	asleep                // half dead or shocked: a lag of days (common practice)
	origins
)

// share is the chance of an origin. The published model of Gee & Ramirez, without
// any lag or growth worth naming, is of an awake batch.
func (o origin) share() float64 { return [origins]float64{0.87, 0.05, 0.03, 0.05}[o] }

// gauss is the prior of parameter k in batches of an origin; g is the native one.
func (o origin) gauss(k int, g gauss) gauss {
	switch {
	case o == foreign && k >= pRate && k <= pRepress:
		g.sd *= 2
	case o == awake && k == pLag:
		return gauss{math.Log(2), 0.7}
	case o == asleep && k == pLag:
		return gauss{math.Log(60), 0.6}
	case o == awake && k == pPitched:
		return gauss{logit(0.6), 1}
	case o == awake && k == pRate:
		g.sd *= 1.7
	}
	return g
}

// The rate may stray from the model by bendSD at these points consumed: for
// yeasts that were not foreseen and what the model leaves out.
const (
	bend1  = 0.8
	bend2  = 2.2
	bend3  = 4.5
	bendSD = 0.03
)

// gauss is a normal prior of one parameter.
type gauss struct{ mean, sd float64 }

// prior is what is believed before a reading. Means and spreads were set by
// fitting the model to the true curves of the 84 captures and looking how far
// the crossings they expect lie from the true ones. They leave room: the
// published spread of activation energies is 30 to 95 kJ/mol (Gee & Ramirez
// 1988), of simple sugar in wort 8 to 14 %, of lag a few hours to a day (common
// practice).
func prior(y Yeast) [numParams]gauss {
	p := [numParams]gauss{
		pRate:    {math.Log(0.185), 0.3},
		pSecond:  {math.Log(0.9), 0.35},
		pLag:     {math.Log(12), 0.38},
		pPitched: {logit(0.25), 0.45},
		pCrowd:   {math.Log(4.5), 0.45},
		pSimple:  {logit(0.13), 0.4},
		pComplex: {logit(0.62), 0.4},
		pEnergy1: {57, 10},
		pEnergy2: {-1, 6},
		pHalf:    {math.Log(0.75), 0.5},
		pRepress: {math.Log(0.55), 0.6},
		pSettle:  {math.Log(0.03), 0.6},
		pCool:    {math.Log(0.95), 0.13},
		pBend1:   {0, bendSD}, pBend2: {0, bendSD}, pBend3: {0, bendSD},
	}
	if y == MaltoseNegative {
		p[pSimple] = gauss{logit(0.15), 0.24}
		p[pComplex] = gauss{logit(0.018), 0.6}
		p[pSecond] = gauss{math.Log(0.5), 0.4}
		p[pLag] = gauss{math.Log(19), 0.45}
		p[pRate] = gauss{math.Log(0.135), 0.36}
		p[pPitched] = gauss{logit(0.3), 0.55}
	}
	return p
}

// drawPrior draws a hypothesis.
func drawPrior(p *[numParams]gauss, rng *rand.Rand) (theta [numParams]float64) {
	o, u := native, rng.Float64()
	for u >= o.share() && o < origins-1 {
		u -= o.share()
		o++
	}
	for k := range p {
		g := o.gauss(k, p[k])
		if rng.Float64() < strangeness(k) {
			g.sd *= oddity(k)
		}
		theta[k] = g.mean + g.sd*rng.NormFloat64()
	}
	return theta
}

// oddity is how many times as wide the prior of parameter k is if it is strange.
func oddity(k int) float64 {
	if k == pOG { // the hand sample at pitch was misread
		return blunder
	}
	return strange
}

func logit(p float64) float64   { return math.Log(p / (1 - p)) }
func inverse(x float64) float64 { return 1 / (1 + math.Exp(-x)) }
