package main

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"ebbline/projection/ferment"
	"ebbline/projection/gravity"
)

const (
	// captureDays is how long a capture runs; nobody crashes the batch in it.
	captureDays = 10
	// sendEvery is the interval at which a virtual float sends.
	sendEvery = 15 * time.Minute
	// firstSample is when, after pitch, the first of the daily samples by hand is
	// taken; every third batch has them, and all whose original gravity is wrong.
	firstSample = 20 * time.Hour
)

// SimulateCmd writes captures of virtual batches with known truth, in the form
// of testdata/captures, for judging on batches that nobody tuned to.
type SimulateCmd struct {
	Out   string   `required:"" type:"path" placeholder:"FOLDER" help:"Folder to write to; it must not hold these batches already."`
	Seed  uint64   `default:"1" help:"Seed of the first batch of each kind; the next ones count on."`
	Count int      `default:"12" help:"How many of each kind."`
	Kinds []string `placeholder:"KIND" help:"Kinds to write; all of them unless given: plain, noisy, faults, swing, slowcool, maltneg, ceiling12, cells, pair, curve, step, silence, stuck, swap, misread."`
}

// Help is the long help with an example.
func (SimulateCmd) Help() string {
	return `Examples:
  ebbline simulate --out captures-7 --seed 700 --count 12 --kinds plain,noisy
  for s in 1000 2000 3000; do ebbline simulate --out sim-$s --seed $s --count 6; done; ebbline judge sim-1000 sim-2000 sim-3000`
}

// Run writes one folder a batch and names them on out.
func (c *SimulateCmd) Run(out io.Writer) error {
	kinds := ferment.Kinds()
	if len(c.Kinds) > 0 {
		kinds = nil
		for _, name := range c.Kinds {
			kind, err := ferment.ParseKind(name)
			if err != nil {
				return usageError{fmt.Errorf("--kinds: %w", err)}
			}
			kinds = append(kinds, kind)
		}
	}
	if c.Count < 1 {
		return usageError{fmt.Errorf("--count %d: write at least one batch", c.Count)}
	}
	var work errgroup.Group
	work.SetLimit(runtime.GOMAXPROCS(0))
	for _, kind := range kinds {
		for i := range c.Count {
			work.Go(func() error {
				folder := filepath.Join(c.Out, fmt.Sprintf("%s-%02d", kind, i))
				return writeCapture(folder, ferment.Draw(c.Seed+uint64(i), kind), i%3 == 1 || kind == ferment.Misread)
			})
		}
	}
	if err := work.Wait(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "%d batches of %d kinds in %s\n", c.Count*len(kinds), len(kinds), c.Out)
	return err
}

// writeCapture runs a virtual batch to its end and writes its three files.
func writeCapture(folder string, v *ferment.Virtual, sampled bool) error {
	if err := os.MkdirAll(filepath.Dir(folder), 0o755); err != nil {
		return fmt.Errorf("making the folder of the captures: %w", err)
	}
	if err := os.Mkdir(folder, 0o755); err != nil {
		return fmt.Errorf("making the folder of a batch: %w; choose another --out", err)
	}
	var capture, truth bytes.Buffer
	var samples []handReading
	truth.WriteString("time,gravity,temperature_c,abv,final_abv_if_crash_starts_now\n")
	for after := time.Duration(0); after < captureDays*24*time.Hour; after += sendEvery {
		at := v.PitchedAt.Add(after)
		if after%time.Hour == 0 {
			now := v.At(at)
			fmt.Fprintf(&truth, "%s,%.5f,%.2f,%.4f,%.4f\n", at.Format(time.RFC3339), now.Gravity, now.Temperature, now.ABV, v.FinalABVIfCrash(at))
		}
		if sampled && after >= firstSample && (after-firstSample)%(24*time.Hour) == 0 {
			samples = append(samples, handReading{at, v.Sample(at)})
		}
		for _, r := range v.Read(at) {
			fmt.Fprintf(&capture, `{"payload":%s,"time":"%s","topic":"cellar/%s"}`+"\n", payloadOf(r, ""), at.Format(time.RFC3339), r.Sensor)
		}
	}
	name := fmt.Sprintf("virtual %s %d", v.Kind, v.Seed)
	return errors.Join(
		os.WriteFile(filepath.Join(folder, "batch.yaml"), batchFileOf(v, name, samples, false), 0o644),
		writeGzip(filepath.Join(folder, "capture.jsonl.gz"), capture.Bytes()),
		writeGzip(filepath.Join(folder, "truth.csv.gz"), truth.Bytes()),
	)
}

// payloadOf is what a virtual sensor sends; ts is its own clock, empty if it has
// none.
func payloadOf(r ferment.Reading, ts string) []byte {
	var b bytes.Buffer
	b.WriteByte('{')
	if r.Gravity != nil {
		fmt.Fprintf(&b, `"g":%.4f,`, *r.Gravity)
	}
	fmt.Fprintf(&b, `"t":%.2f`, r.Temperature)
	if ts != "" {
		fmt.Fprintf(&b, `,"ts":%q`, ts)
	}
	b.WriteByte('}')
	return b.Bytes()
}

// handReading is a sample of gravity taken by hand.
type handReading struct {
	at      time.Time
	gravity gravity.SG
}

// batchFileOf is the file in which the brewer of a virtual batch describes it.
// deviceTime says that its sensors send their own clock.
func batchFileOf(v *ferment.Virtual, name string, samples []handReading, deviceTime bool) []byte {
	var b bytes.Buffer
	var names []string
	clock := ""
	if deviceTime {
		clock = "    time: /ts\n"
	}
	const temperature = "      - {quantity: temperature, pointer: /t, unit: Cel}\n"
	sensor := func(name, readings string) {
		names = append(names, name)
		fmt.Fprintf(&b, "  - name: %s\n    topic: cellar/%s\n%s    readings:\n%s", name, name, clock, readings)
	}
	b.WriteString("sensors:\n")
	for _, f := range v.Floats {
		sensor(f.Name, "      - {quantity: gravity, pointer: /g, unit: sg, calibrated_at: 20 Cel, expansion: 0}\n"+temperature)
	}
	for _, p := range v.Thermometers {
		sensor(p.Name, temperature)
	}
	yeast := "standard"
	if v.MaltoseNegative {
		yeast = "maltose-negative"
	}
	fmt.Fprintf(&b, `batch:
  name: %s
  volume: %g L
  original_gravity: %.4f
  ceiling: %s
  yeast: %s
  pitched_at: %s
  response_time: %s
  crash:
    to: %g Cel
    time_constant: %s
  sensors: [%s]
`, name, v.Volume, v.OriginalGravity, ceilingText(v.Ceiling), yeast, v.PitchedAt.Format(time.RFC3339), v.ResponseTime,
		v.CrashTo, v.TimeConstant, strings.Join(names, ", "))
	if len(samples) > 0 {
		b.WriteString("  samples:\n")
	}
	for _, s := range samples {
		fmt.Fprintf(&b, "    - {time: %s, gravity: %.4f}\n", s.at.Format(time.RFC3339), s.gravity)
	}
	return b.Bytes()
}

func writeGzip(name string, data []byte) error {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := z.Write(data); err != nil {
		return fmt.Errorf("packing %s: %w", name, err)
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("packing %s: %w", name, err)
	}
	return os.WriteFile(name, packed.Bytes(), 0o644)
}

// ceilingText is a ceiling as a batch file writes it.
func ceilingText(c gravity.Ceiling) string {
	if c.Strict {
		return fmt.Sprintf("%q", c)
	}
	return c.String()
}
