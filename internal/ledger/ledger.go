// Package ledger holds the nouns people enter and decide about: ore sources, lots,
// runs, settings made, advice given. The ledger is append-only: nothing is
// overwritten, a correction is a new entry that names the old one, who and why.
package ledger

import (
	"encoding/json"
	"time"

	"decktrim/internal/runs"
)

// Kind is the sort of an entry; it says which struct its Body holds.
type Kind string

const (
	KindOreSource     Kind = "ore_source"     // OreSource
	KindLot           Kind = "lot"            // Lot
	KindRun           Kind = "run"            // Run
	KindSettingChange Kind = "setting_change" // SettingChange
	KindNote          Kind = "note"           // Note
	KindAdvice        Kind = "advice"         // Advice
	KindAdviceOutcome Kind = "advice_outcome" // AdviceOutcome
)

// Entry is one line of the ledger. ID is given by whoever made it (UUID version 7),
// so that sending it twice makes one entry.
type Entry struct {
	ID       string
	Plant    string // plant name
	Kind     Kind
	At       time.Time // when it happened
	By       string    // role or person
	Replaces string    // ID of the entry this one corrects; empty: new
	Why      string    // reason for the correction
	Body     json.RawMessage
	Seq      int64     // order of commitment, given by the store
	Recorded time.Time // when the store committed it
}

type OreSource struct {
	Name                 string   `json:"name"`
	Character            string   `json:"character"`
	Owner                string   `json:"owner"`                // role name only in demo data
	HeadGrade            *float64 `json:"head_grade,omitempty"` // in the plant's grade unit
	MinConcentrateGrade  *float64 `json:"min_concentrate_grade,omitempty"`
	OwnerConsentsToTests *bool    `json:"owner_consents_to_tests,omitempty"`
	TonnesLeft           *float64 `json:"tonnes_left,omitempty"` // t dry
	Invented             bool     `json:"invented,omitempty"`
}

type Lot struct {
	ID        string    `json:"id"` // short name people use, for example "Q-07"
	OreSource string    `json:"ore_source"`
	Received  time.Time `json:"received"`
	WetTonnes float64   `json:"wet_tonnes"` // t
	Moisture  float64   `json:"moisture"`   // fraction, wet basis
	HeadGrade *float64  `json:"head_grade,omitempty"`
	HeadSE    *float64  `json:"head_se,omitempty"`
	Closed    bool      `json:"closed"`
	Invented  bool      `json:"invented,omitempty"`
}

// Run is a run in the ledger; its settings and results are those of runs.Run.
type Run struct {
	runs.Run
	End      time.Time `json:"end"`
	Invented bool      `json:"invented,omitempty"`
}

type SettingChange struct {
	Setting string  `json:"setting"`
	Value   float64 `json:"value"`
	Unit    string  `json:"unit"`
	Typed   string  `json:"typed"`            // what the person typed, figure and unit
	Advice  string  `json:"advice,omitempty"` // ID of the advice it follows
}

type Note struct {
	Text    string `json:"text"`
	Channel string `json:"channel,omitempty"`
}

// Advice is a piece of advice as it was given: the answer, and what it was worked
// out from, so that it can be worked out again.
type Advice struct {
	OreSource string          `json:"ore_source"`
	Answer    json.RawMessage `json:"answer"` // as `advise --format json` prints it
	RunIDs    []string        `json:"run_ids"`
	Version   string          `json:"version"`
}

type AdviceOutcome struct {
	Advice string `json:"advice"` // ID of the advice
	Did    string `json:"did"`    // "done", "declined"
	Why    string `json:"why"`
}
