package gravity

import (
	"bytes"
	_ "embed" // the table of legal ceilings
	"encoding/csv"
	"fmt"
)

//go:embed legal_ceilings.csv
var legalCeilings []byte

// LegalCeiling is one term of a place's law or trade with its limit. All is text
// as the sources give it: some limits are spans, some have no number.
type LegalCeiling struct {
	Place      string `json:"place"`
	Term       string `json:"term"`
	Limit      string `json:"limit_abv"` // % ABV
	Comparison string `json:"comparison"`
	Declare    string `json:"declare_from"` // strength to be declared from, % ABV
	Source     string `json:"source"`
	Certainty  string `json:"certainty"` // VERIFIED, SECONDARY or MEMORY, with what was seen
}

// LegalCeilings is the table of ceilings, as orientation: local rules come first
// (see [CautionLaw]).
func LegalCeilings() ([]LegalCeiling, error) {
	r := csv.NewReader(bytes.NewReader(legalCeilings))
	r.Comment = '#'
	r.FieldsPerRecord = -1 // checked below, row by row
	rows, err := r.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("reading the table of legal ceilings: %w", err)
	}
	var all []LegalCeiling
	for i, row := range rows[1:] {
		if len(row) != 7 {
			return nil, fmt.Errorf("row %d of the table of legal ceilings has %d fields, not 7", i+1, len(row))
		}
		all = append(all, LegalCeiling{row[0], row[1], row[2], row[3], row[4], row[5], row[6]})
	}
	return all, nil
}
