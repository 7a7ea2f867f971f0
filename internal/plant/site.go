package plant

// Site is the geometry and set-up of the place. The site checks give each field
// its use; a plant file without [site] has none of them.
type Site struct {
	Layout     string  `toml:"layout"`      // "in line" or "U"
	Indoors    bool    `toml:"indoors"`     //
	PadLength  float64 `toml:"pad_length"`  // m
	PadWidth   float64 `toml:"pad_width"`   // m
	Power      string  `toml:"power"`       // "generator" or "mains"
	Link       string  `toml:"link"`        // "poor" or "wired"
	BeltLength float64 `toml:"belt_length"` // m, between pulley centres
	BeltRise   float64 `toml:"belt_rise"`   // m, tail to head
	TableMass  float64 `toml:"table_mass"`  // kg, frame and ballast, deck not counted
	DeckMass   float64 `toml:"deck_mass"`   // kg, moving
}
