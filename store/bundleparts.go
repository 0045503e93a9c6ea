package store

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/bundle"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// The parts of a bundle, in this order; numbers count from 1 without gaps:
//
//	documents/00001.json             a documentHead
//	documents/00001-0001.jsonl       its revisions, a documentRevision a line
//	runs/000001/head.json            a runHead
//	runs/000001/results-0001.jsonl   its results, a bundledResult a line
//	runs/000001/readings-0001.bin    its readings: packed chunks (see packChunk), each
//	                                 after its measurement (4 bytes), the index of its
//	                                 first reading in that (8) and its length (4),
//	                                 little-endian
//	runs/000001/traffic.gz           what was said to cards, as JSON lines
//	contents.json                    a bundleContents
//
// Documents come before those that refer to them, and before the runs.

const (
	blockBytes   = 1 << 20 // of lines or chunks, after which a block is written
	chunkPrefix  = 16
	contentsName = "contents.json"
)

// documentHead begins a document.
type documentHead struct {
	Kind    string `json:"kind"` // "device", "bench", "procedure", "pin map"
	Key     string `json:"key"`
	Removed bool   `json:"removed,omitempty"` // it is in no list any more
}

// documentRevision is one revision of a document.
type documentRevision struct {
	Rev  int             `json:"rev"`
	At   time.Time       `json:"at"`
	By   string          `json:"by"`
	Body json.RawMessage `json:"body"`
}

// runHead begins a run. What was seated is passed on as it is.
type runHead struct {
	Run     procedure.Record `json:"run"`
	Seated  json.RawMessage  `json:"seated,omitempty"`
	Traffic *int64           `json:"traffic,omitempty"` // exchanges with cards that were not kept; absent: there is no traffic
}

// LeftOut is something that is not in a bundle, and why.
type LeftOut struct {
	What string `json:"what"`
	Why  string `json:"why"`
}

// bundleContents ends a bundle: what must be in it.
type bundleContents struct {
	Documents int       `json:"documents"`
	Runs      int       `json:"runs"`
	Results   int64     `json:"results"`
	Readings  int64     `json:"readings"`
	LeftOut   []LeftOut `json:"leftOut,omitempty"`
}

// bundledNumber is a number of a result: what is no number is null, and what has
// no end a text.
type bundledNumber float64

// MarshalJSON writes the number with all its digits.
func (n bundledNumber) MarshalJSON() ([]byte, error) {
	switch v := float64(n); {
	case math.IsNaN(v):
		return []byte("null"), nil
	case math.IsInf(v, 1):
		return []byte(`"inf"`), nil
	case math.IsInf(v, -1):
		return []byte(`"-inf"`), nil
	default:
		return json.Marshal(v + 0) // -0 is stored as 0
	}
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (n *bundledNumber) UnmarshalJSON(data []byte) error {
	switch string(data) {
	case "null":
		*n = bundledNumber(math.NaN())
	case `"inf"`:
		*n = bundledNumber(math.Inf(1))
	case `"-inf"`:
		*n = bundledNumber(math.Inf(-1))
	default:
		return json.Unmarshal(data, (*float64)(n))
	}
	return nil
}

// bundledResult is a result, its numbers with all their digits.
type bundledResult struct {
	Measurement int             `json:"measurement"`
	Key         string          `json:"key"`
	Name        string          `json:"name"`
	Pin         int             `json:"pin,omitempty"`
	Group       string          `json:"group,omitempty"`
	Condition   string          `json:"condition,omitempty"`
	Value       bundledNumber   `json:"value"`
	Unit        quantity.Unit   `json:"unit"`
	U           bundledNumber   `json:"u"`
	K           bundledNumber   `json:"k"`
	From        bundledNumber   `json:"from"`
	To          bundledNumber   `json:"to"`
	Low         bundledNumber   `json:"low"`
	High        bundledNumber   `json:"high"`
	Band        bundledNumber   `json:"band"`
	Conformity  bundledNumber   `json:"conformity"`
	Outcome     derive.Outcome  `json:"outcome"`
	Flags       bench.Flags     `json:"flags"`
	Note        string          `json:"note,omitempty"`
	Budget      json.RawMessage `json:"budget,omitempty"` // as it is stored, see budgetBody
}

// numberOf is an optional number of a result.
func numberOf(v *float64) bundledNumber {
	if v == nil {
		return bundledNumber(math.NaN())
	}
	return bundledNumber(*v)
}

// optional is an optional number as results have it: nil where it is no number.
func (n bundledNumber) optional() *float64 {
	v := float64(n)
	if math.IsNaN(v) {
		return nil
	}
	return &v
}

// bundled is a result as a bundle has it.
func bundled(x *procedure.Result) (*bundledResult, error) {
	out := &bundledResult{x.Measurement, x.Key, x.Name, x.Pin, x.Group, x.Condition, bundledNumber(x.Value), x.Unit, bundledNumber(x.U), bundledNumber(x.K),
		bundledNumber(x.From), bundledNumber(x.To), numberOf(x.Low), numberOf(x.High), numberOf(x.Band), numberOf(x.Conformity), x.Outcome, x.Flags, x.Note, nil}
	if x.Budget == nil {
		return out, nil
	}
	var err error
	out.Budget, err = packBudget(x.Budget)
	return out, err
}

// result is the result that a bundle has.
func (x *bundledResult) result() (*procedure.Result, error) {
	k := float64(x.K)
	if math.IsNaN(k) {
		k = 0
	}
	out := &procedure.Result{Measurement: x.Measurement, Key: x.Key, Name: x.Name, Pin: x.Pin, Group: x.Group, Condition: x.Condition, Value: float64(x.Value),
		Unit: x.Unit, U: float64(x.U), From: float64(x.From), To: float64(x.To), K: k, Low: x.Low.optional(), High: x.High.optional(),
		Band: x.Band.optional(), Conformity: x.Conformity.optional(), Outcome: x.Outcome, Flags: x.Flags, Note: x.Note}
	if x.Budget == nil {
		return out, nil
	}
	var err error
	out.Budget, err = unpackBudget(x.Budget)
	return out, err
}

// bundledChunk is a chunk of readings as a bundle has it.
type bundledChunk struct {
	measurement int
	first       int64
	data        []byte
}

// appendBundled adds a chunk to a block.
func appendBundled(block []byte, measurement int, first int64, data []byte) []byte {
	block = le.AppendUint32(block, uint32(measurement))
	block = le.AppendUint64(block, uint64(first))
	block = le.AppendUint32(block, uint32(len(data)))
	return append(block, data...)
}

// eachChunk calls fn with each chunk of a block, whose memory is the block's.
func eachChunk(block []byte, fn func(bundledChunk) error) error {
	for len(block) > 0 {
		if len(block) < chunkPrefix {
			return errBlock
		}
		k := bundledChunk{measurement: int(binary.LittleEndian.Uint32(block)), first: int64(binary.LittleEndian.Uint64(block[4:]))}
		n := int(binary.LittleEndian.Uint32(block[12:]))
		if block = block[chunkPrefix:]; n > len(block) {
			return errBlock
		}
		k.data, block = block[:n], block[n:]
		if err := fn(k); err != nil {
			return err
		}
	}
	return nil
}

var errBlock = errorf(Invalid, "a block of readings in the file does not hold what it says")

// bundleVisitor is told of what a bundle holds, in its order. The memory of what
// it is given may be used again after the call.
type bundleVisitor interface {
	document(documentHead) error
	revision(*documentRevision) error
	endDocument() error
	run(*runHead) error
	result(*bundledResult) error
	chunk(bundledChunk) error
	traffic(packed []byte) error
	endRun() error
}

// bundleScan reads a bundle and tells a visitor of it. It holds parts to their
// order and the contents to what was there.
type bundleScan struct {
	from *bundle.Reader
	to   bundleVisitor

	found    bundleContents
	blocks   int    // of the document or of the run, of one sort
	sort     string // of those blocks
	in       string // "document", "run", ""
	contents bool
}

// scan reads to the end. The contents are those that the file states.
func (s *bundleScan) scan() (bundleContents, error) {
	var stated bundleContents
	for {
		name, body, err := s.from.Next()
		if errors.Is(err, io.EOF) {
			if !s.contents {
				return stated, errorf(Invalid, "the file does not say what it holds: its part %s is missing", contentsName)
			}
			return stated, nil
		}
		if err != nil {
			return stated, err
		}
		switch {
		case s.contents:
			err = errorf(Invalid, "the file goes on after its contents, with %s", name)
		case name == contentsName:
			s.contents = true
			if err = errors.Join(s.end(), strictJSON(body, &stated)); err == nil {
				err = s.holds(&stated)
			}
		default:
			err = s.part(name, body)
		}
		if err != nil {
			return stated, inPart(name, err)
		}
	}
}

// inPart names the part that cannot be used.
func inPart(name string, err error) error {
	if CodeOf(err) == Invalid {
		return &Error{Code: Invalid, Message: fmt.Sprintf("The file cannot be used, in its part %s: %v", name, err), Err: err}
	}
	return err
}

// holds refuses a bundle that does not hold what it says.
func (s *bundleScan) holds(stated *bundleContents) error {
	f := &s.found
	if f.Documents != stated.Documents || f.Runs != stated.Runs || f.Results != stated.Results || f.Readings != stated.Readings {
		return errorf(Invalid, "it says that it has %d documents, %d runs, %d results and %d readings, and has %d, %d, %d and %d",
			stated.Documents, stated.Runs, stated.Results, stated.Readings, f.Documents, f.Runs, f.Results, f.Readings)
	}
	return nil
}

// end ends what is being read.
func (s *bundleScan) end() error {
	in := s.in
	s.in, s.sort, s.blocks = "", "", 0
	switch in {
	case "document":
		return s.to.endDocument()
	case "run":
		return s.to.endRun()
	}
	return nil
}

// part reads a part by its name.
func (s *bundleScan) part(name string, body []byte) error {
	switch name {
	case documentPart(s.found.Documents + 1):
		if s.found.Runs > 0 {
			return errorf(Invalid, "documents come before runs")
		}
		var head documentHead
		if err := errors.Join(s.end(), strictJSON(body, &head)); err != nil {
			return err
		}
		s.in = "document"
		s.found.Documents++
		return s.to.document(head)
	case runPart(s.found.Runs+1, "head.json"):
		head := new(runHead)
		if err := errors.Join(s.end(), strictJSON(body, head)); err != nil {
			return err
		}
		head.Seated = compacted(head.Seated)
		s.in = "run"
		s.found.Runs++
		return s.to.run(head)
	}
	return s.block(name, body)
}

// block reads a part of what is being read. Sorts come in the order of the list.
func (s *bundleScan) block(name string, body []byte) error {
	next := func(sort string) int {
		if s.sort == sort {
			return s.blocks + 1
		}
		return 1
	}
	took := func(sort string) { s.blocks, s.sort = next(sort), sort }
	n := s.found.Runs
	switch {
	case s.in == "document" && name == revisionsPart(s.found.Documents, next("revisions")):
		took("revisions")
		return eachLine(body, s.to.revision)
	case s.in == "run" && (s.sort == "" || s.sort == "results") && name == resultsPart(n, next("results")):
		took("results")
		return eachLine(body, func(x *bundledResult) error {
			s.found.Results++
			return s.to.result(x)
		})
	case s.in == "run" && s.sort != "traffic" && name == readingsPart(n, next("readings")):
		took("readings")
		return eachChunk(body, func(k bundledChunk) error {
			if len(k.data) >= 4 {
				s.found.Readings += int64(le.Uint16(k.data[2:]))
			}
			return s.to.chunk(k)
		})
	case s.in == "run" && s.sort != "traffic" && name == runPart(n, "traffic.gz"):
		took("traffic")
		return s.to.traffic(body)
	}
	return errorf(Invalid, "no bundle has this part in this place")
}

func documentPart(n int) string         { return fmt.Sprintf("documents/%05d.json", n) }
func revisionsPart(n, block int) string { return fmt.Sprintf("documents/%05d-%04d.jsonl", n, block) }
func runPart(n int, what string) string { return fmt.Sprintf("runs/%06d/%s", n, what) }
func resultsPart(n, block int) string {
	return runPart(n, fmt.Sprintf("results-%04d.jsonl", block))
}
func readingsPart(n, block int) string {
	return runPart(n, fmt.Sprintf("readings-%04d.bin", block))
}
