package page

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// newFile is the page on which a batch file is pasted or uploaded.
type newFile struct {
	File, Error string
	Cautions    []string
}

// exampleBatch is a batch file that works as it stands; contract §5. Its lines
// are short enough for a phone.
const exampleBatch = `sensors:
  - name: %[3]s
    topic: cellar/%[3]s  # change
    readings:
      - quantity: gravity
        pointer: /g  # change
        unit: sg     # change
      - quantity: temperature
        pointer: /t  # change
        unit: Cel    # change
batch:
  name: Harbour pale %[1]d      # change
  volume: 19 L              # change
  original_gravity: 1.0132  # change
  ceiling: 0.5      # %% ABV, change
  yeast: standard
  # when the yeast went in:
  pitched_at: %[2]s
  response_time: 30m
  crash:
    to: 2 Cel
    time_constant: 5h
  sensors: [%[3]s]
`

func (s *Server) getNewFile(w http.ResponseWriter, r *http.Request) {
	file, err := s.example(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "newfile", frame{Title: "Batch file", Here: "batches", Body: newFile{File: file, Cautions: gravity.Cautions(gravity.Pitching)}})
}

// example is a batch file for a batch pitched now, with a sensor that no
// running batch has.
func (s *Server) example(ctx context.Context) (string, error) {
	all, err := s.opts.Journal.Batches(ctx)
	if err != nil {
		return "", err
	}
	taken := func(sensor string) bool {
		return slices.ContainsFunc(all, func(b journal.Batch) bool { return b.Ended == nil && slices.Contains(b.Sensors, sensor) })
	}
	n := 1
	for taken(fmt.Sprintf("float-%d", n)) {
		n++
	}
	pitched := s.opts.Now().In(s.loc).Truncate(time.Minute).Format(time.RFC3339)
	return fmt.Sprintf(exampleBatch, len(all)+1, pitched, fmt.Sprintf("float-%d", n)), nil
}

func (s *Server) postNewFile(w http.ResponseWriter, r *http.Request) {
	raw, err := batchFile(r)
	if err != nil {
		s.trouble(w, r, http.StatusBadRequest, "Not understood", "The form arrived broken or is too large. Go back and send it again.")
		return
	}
	id, err := s.opts.Actions.StartBatch(r.Context(), raw)
	var refused *Refused
	if errors.As(err, &refused) {
		s.show(w, r, http.StatusUnprocessableEntity, "newfile", frame{
			Title: "Batch file", Here: "batches",
			Body: newFile{File: string(raw), Error: refused.Text, Cautions: gravity.Cautions(gravity.Pitching)},
		})
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/batch/"+escapePath(id)+"?done=started", http.StatusSeeOther)
}

// batchFile takes the uploaded file if there is one, else what was pasted.
func batchFile(r *http.Request) ([]byte, error) {
	if err := r.ParseMultipartForm(largestBatch); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		return nil, err
	}
	if r.MultipartForm != nil {
		defer func() { _ = r.MultipartForm.RemoveAll() }()
		if f, head, err := r.FormFile("upload"); err == nil {
			defer func() { _ = f.Close() }() // read only
			if head.Size > 0 {
				return io.ReadAll(f)
			}
		}
	}
	return []byte(strings.ReplaceAll(r.PostFormValue("file"), "\r\n", "\n")), nil
}
