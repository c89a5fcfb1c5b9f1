package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"ebbline/cmd/ebbline/config"
	"ebbline/ingest"
)

// CheckCmd proves configurations and batch files and says what they mean.
type CheckCmd struct {
	Config    string   `type:"path" placeholder:"FILE" help:"Configuration to check, as if named among the files."`
	Notify    bool     `help:"Also send a test message by every channel."`
	Data      bool     `help:"Also check the record in the data folder for damage, and say how fast it grows; the daemon may run. Without a configuration: that in the default data folder."`
	Offline   bool     `help:"Only read the files; look at nothing they name and connect to nothing."`
	Strict    bool     `help:"Exit with 1 if something looked at is not well."`
	Schema    bool     `help:"Print the JSON Schema of configurations and batch files, for editors."`
	Reference bool     `help:"Print the documentation of every key, in Markdown."`
	Files     []string `arg:"" optional:"" name:"file" help:"Configurations and batch files, told apart by their keys."`
}

// Help is the long help with an example.
func (CheckCmd) Help() string {
	return `Every fault is told with file, line and column and what is allowed; then the exit status is 2.
Otherwise what was understood is printed in plain words. Sensors that a batch names may be
defined in a configuration checked with it. Then the files it names are looked at, and broker,
mirror and channels are connected to; nothing is sent. What is not well is marked with !, and
makes the exit status 1 with --strict. With --notify every channel gets a test message, and
the exit status is 1 if one does not take it.

Example:
  ebbline check /etc/ebbline.yaml batch.yaml
  ebbline check --notify --data /etc/ebbline.yaml
  ebbline check --data`
}

// checked is one file and what it turned out to be.
type checked struct {
	name   string
	data   []byte
	batch  bool
	config *config.Config
	file   config.BatchFile
}

// Run checks all files, so that one bad file does not hide another.
func (c *CheckCmd) Run(out io.Writer) error {
	switch {
	case c.Schema:
		return printed(out, config.Schema)
	case c.Reference:
		return printed(out, func() ([]byte, error) { return config.Reference(), nil })
	case len(c.named()) == 0 && !c.Data:
		return usageError{errors.New("no file to check: name a configuration or a batch file; see ebbline check --help")}
	}
	files, err := readFiles(c.named())
	if err != nil {
		return usageError{err}
	}
	sensors, faults := checkConfigs(files)
	faults = append(faults, checkBatches(files, sensors)...)
	if len(faults) > 0 {
		return usageError{errors.Join(faults...)}
	}
	faults = append(claimedTwice(files), notBegun(files, time.Now())...)
	for _, f := range files {
		if err := f.describe(out); err != nil {
			return fmt.Errorf("writing what was understood: %w", err)
		}
	}
	if len(faults) > 0 {
		return usageError{errors.Join(faults...)}
	}
	if c.Data {
		if err := checkRecords(out, files); err != nil {
			return err
		}
	}
	wrong := 0
	if !c.Offline {
		w := &lines{out: out}
		if wrong = lookAround(w, files); w.err != nil {
			return fmt.Errorf("writing what was found: %w", w.err)
		}
	}
	if c.Notify {
		return tryChannels(out, files)
	}
	if c.Strict && wrong > 0 {
		return fmt.Errorf("%s not well; the lines above with a ! say what", countWords(wrong))
	}
	return nil
}

// named are the files to check.
func (c *CheckCmd) named() []string {
	if c.Config == "" {
		return c.Files
	}
	return append([]string{c.Config}, c.Files...)
}

// checkRecords looks through the records of the configurations; if there is none, through
// the one that a daemon without a configuration keeps.
func checkRecords(out io.Writer, files []*checked) error {
	var all []*config.Config
	for _, f := range files {
		if f.config != nil {
			all = append(all, f.config)
		}
	}
	if len(all) == 0 {
		cfg, err := config.Load("")
		if err != nil {
			return usageError{err}
		}
		all = append(all, cfg)
	}
	for _, cfg := range all {
		if err := checkRecord(out, cfg); err != nil {
			return pathHint(err)
		}
	}
	return nil
}

func countWords(n int) string {
	if n == 1 {
		return "1 thing is"
	}
	return fmt.Sprintf("%d things are", n)
}

// printed writes what make makes.
func printed(out io.Writer, made func() ([]byte, error)) error {
	text, err := made()
	if err != nil {
		return err
	}
	if _, err := out.Write(text); err != nil {
		return fmt.Errorf("writing: %w", err)
	}
	return nil
}

func readFiles(names []string) ([]*checked, error) {
	var files []*checked
	var faults []error
	for _, name := range names {
		data, err := config.ReadFile(name, "a configuration or a batch file")
		if err == nil && config.Blank(data) {
			err = config.EmptyFile(name)
		}
		if err != nil {
			faults = append(faults, err)
			continue
		}
		files = append(files, &checked{name: name, data: data, batch: config.IsBatch(data)})
	}
	return files, errors.Join(faults...)
}

// checkConfigs reads the configurations and returns the sensors they define.
func checkConfigs(files []*checked) (sensors []ingest.Sensor, faults []error) {
	for _, f := range files {
		if f.batch {
			continue
		}
		var err error
		if f.config, err = config.Parse(f.name, f.data, os.LookupEnv); err != nil {
			faults = append(faults, err)
			continue
		}
		sensors = append(sensors, f.config.Sensors...)
	}
	return sensors, faults
}

// checkBatches reads the batch files. Where a configuration is checked with
// them, every sensor must be defined by one of the files.
func checkBatches(files []*checked, sensors []ingest.Sensor) (faults []error) {
	var elsewhere []config.Defined
	for _, f := range files {
		if !f.batch {
			elsewhere = []config.Defined{config.Names(sensors)}
		}
	}
	for _, f := range files {
		if !f.batch {
			continue
		}
		var err error
		if f.file, err = config.ParseBatch(f.name, f.data, elsewhere...); err != nil {
			faults = append(faults, err)
		}
	}
	return faults
}

// notBegun finds batches that the daemon would not start, because they are pitched in
// the future or say what nobody means.
func notBegun(files []*checked, now time.Time) (faults []error) {
	for _, f := range files {
		file := f.file
		if f.config != nil && f.config.Batch != nil {
			file = *f.config.Batch
		}
		for _, err := range []error{file.Ahead(now, farFuture), file.Impossible()} {
			if err != nil {
				faults = append(faults, err)
			}
		}
	}
	return faults
}

// claimedTwice finds batches that cannot run together.
func claimedTwice(files []*checked) (faults []error) {
	sensor, id := map[string]string{}, map[string]string{}
	for _, f := range files {
		file := f.file
		if f.config != nil && f.config.Batch != nil {
			file = *f.config.Batch
		}
		if file.Batch.ID == "" {
			continue
		}
		if other, ok := id[file.Batch.ID]; ok {
			faults = append(faults, fmt.Errorf("%s: batch %s is also described by %s; give one of them an id of its own", f.name, file.Batch.ID, other))
			continue
		}
		id[file.Batch.ID] = f.name
		for _, s := range file.Batch.Sensors {
			if other, ok := sensor[s]; ok {
				faults = append(faults, fmt.Errorf("%s: sensor %s is also in the batch of %s; they cannot run at the same time", f.name, s, other))
			}
			sensor[s] = f.name
		}
	}
	return faults
}
