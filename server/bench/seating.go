package bench

// Seating is what is put on a rehearsal bench: which part, drawn from which
// seed, with which faults of its own and of the bench. It is kept with every
// run, so that a rehearsed reading can always be traced to what made it.
type Seating struct {
	Device      string             `json:"device,omitempty"` // device key, "" for a model without one
	Serial      string             `json:"serial,omitempty"`
	Lot         string             `json:"lot,omitempty"`
	Model       string             `json:"model"`
	Seed        uint64             `json:"seed"`
	Options     map[string]float64 `json:"options,omitempty"`
	UnitFaults  []UnitFault        `json:"unitFaults,omitempty"`
	BenchFaults []BenchFault       `json:"benchFaults,omitempty"`
	PinMap      PinMap             `json:"pinMap"`
	// BenchSeed is which bench is drawn, World what it has of a real one; nil:
	// as they are. Insertion numbers the insertions of parts: each has contacts
	// of its own; 0 is the next one.
	BenchSeed *uint64 `json:"benchSeed,omitempty"`
	World     *World  `json:"world,omitempty"`
	Insertion uint64  `json:"insertion,omitempty"`
}

// UnitFault is one thing wrong with a seated unit.
type UnitFault struct {
	Kind  string  `json:"kind"`
	Pin   int     `json:"pin"`
	Pin2  int     `json:"pin2,omitempty"`
	Value float64 `json:"value,omitempty"` // Ω
}

// BenchFault is one thing wrong with the rehearsal bench itself. Which fields
// count depends on the kind.
type BenchFault struct {
	Kind     string    `json:"kind"`
	Mux      string    `json:"mux,omitempty"`
	Path     PathID    `json:"path,omitempty"`
	Channel  ChannelID `json:"channel,omitempty"`
	Contact  int       `json:"contact,omitempty"`
	Contact2 int       `json:"contact2,omitempty"`
	Value    float64   `json:"value,omitempty"` // Ω, or part of one
}

// Model is a part that can be rehearsed.
type Model struct {
	Key     string        `json:"key"`
	Title   string        `json:"title"`
	Pins    int           `json:"pins"`
	Options []ModelOption `json:"options,omitempty"`
}

// ModelOption is a value of a model that a person can choose, such as the
// resistance of a check load.
type ModelOption struct {
	Key     string  `json:"key"`
	Title   string  `json:"title"`
	Unit    string  `json:"unit"`
	Default float64 `json:"default"`
}

// FaultKind describes a kind of fault: which fields of a UnitFault or
// BenchFault count, by their JSON names, and the unit of the value.
type FaultKind struct {
	Kind   string   `json:"kind"`
	Title  string   `json:"title"`
	Fields []string `json:"fields"`
	Unit   string   `json:"unit,omitempty"`
}
