package main

import (
	"bytes"
	"compress/flate"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"ebbline/alert"
)

// savedWatch is the snapshot in the journal: a line of JSON without Watch, then
// the bytes of Watch, packed or as they are. Before, all of it was JSON.
type savedWatch struct {
	Said  int64  `json:"said"`
	Watch []byte `json:"watch,omitempty"`
	// Sensors are those whose readings had been asked for until then.
	Sensors []string `json:"sensors"`
	// Offset is by how many the alerts of a kind are numbered higher than the
	// watch does, see settle.
	Offset map[alert.Kind]int `json:"offset,omitempty"`
	// Packed is how Watch is packed: "deflate" (RFC 1951), or "" for not at all.
	Packed string `json:"packed,omitempty"`
	// Sum is of all else, see sum.
	Sum uint32 `json:"sum,omitempty"`
}

// deflate is a third smaller, at 10 ms a snapshot; more effort gains nothing.
const deflate = "deflate"

// mostSnapshot bounds what a damaged snapshot may unpack to, bytes.
const mostSnapshot = 64 << 20

func (r *kept) snapshot() ([]byte, error) {
	w, err := r.watch.Snapshot()
	if err != nil {
		return nil, fmt.Errorf("taking a snapshot: %w", err)
	}
	return savedWatch{Said: r.said, Sensors: r.sensors, Offset: r.offset, Packed: deflate}.with(w)
}

// with is the snapshot of which s is the head, with the watch packed by deflate.
func (s savedWatch) with(w []byte) ([]byte, error) {
	s.Sum = s.sum(w)
	head, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("writing the head of a snapshot: %w", err)
	}
	var out bytes.Buffer
	out.Write(append(head, '\n'))
	z, err := flate.NewWriter(&out, flate.BestSpeed)
	if err != nil {
		return nil, fmt.Errorf("packing a snapshot: %w", err)
	}
	if _, err = z.Write(w); err == nil {
		err = z.Close()
	}
	return out.Bytes(), err
}

// sum is the CRC-32C of the rest of the head and of the watch. Never 0, which is
// none: older snapshots have none.
func (s savedWatch) sum(w []byte) uint32 {
	s.Sum, s.Watch = 0, nil
	head, _ := json.Marshal(s) // it was JSON, or will be
	table := crc32.MakeTable(crc32.Castagnoli)
	return max(1, crc32.Update(crc32.Checksum(head, table), table, w))
}

// readSnapshot reads a snapshot of any of these forms.
func readSnapshot(snapshot []byte) (s savedWatch, err error) {
	head, raw, apart := bytes.Cut(snapshot, []byte("\n"))
	if err := json.Unmarshal(head, &s); err != nil {
		return s, fmt.Errorf("decoding the snapshot: %w", err)
	}
	if !apart {
		return s, nil
	}
	switch s.Watch = raw; s.Packed {
	case "":
	case deflate:
		if s.Watch, err = io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(raw)), mostSnapshot)); err != nil {
			return s, fmt.Errorf("unpacking the snapshot: %w", err)
		}
	default:
		return s, fmt.Errorf("the snapshot is packed by %q, which this program does not know", s.Packed)
	}
	if s.Sum != 0 && s.Sum != s.sum(s.Watch) {
		return s, errors.New("the snapshot has changed on the disk")
	}
	return s, nil
}
