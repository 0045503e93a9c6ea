// Package health is what the server knows of its own state: disk, memory, damage, reports,
// link, clock, certificate, single sign-on, backups. A monitor looks at it every few seconds, so
// that whoever asks costs nothing. It knows no HTTP.
package health

import (
	"cmp"
	"fmt"
	"math"
	"ohmkeep/server/quantity"
	"slices"
	"time"
)

// Level is how much a fact matters.
type Level int

const (
	Good      Level = iota
	Attention       // somebody should look at it soon
	Trouble         // something is lost, or will be
)

var levelNames = []string{"good", "attention", "trouble"}

func (l Level) String() string { return levelNames[l] }

// MarshalText writes the level's name.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads a level's name.
func (l *Level) UnmarshalText(text []byte) error {
	i := slices.Index(levelNames, string(text))
	if i < 0 {
		return fmt.Errorf("%q is not a level of health", text)
	}
	*l = Level(i)
	return nil
}

// Fact is one thing that the server knows of itself.
type Fact struct {
	Key    string `json:"key"` // disk, memory, damage, reports, link, clock, certificate, sign-on or backup
	Level  Level  `json:"level"`
	Title  string `json:"title"`
	Words  string `json:"words"`
	Remedy string `json:"remedy,omitempty"` // what a person can do
}

// DiskReserve is what is kept free on the disk for the run at work, bytes.
const DiskReserve = 256 << 20

// Sample is what was found at one instant. Zero values are what is not known.
type Sample struct {
	At        time.Time
	FreeBytes uint64 // of the disk that the database is on, for this program
	DiskBytes uint64 // its size; 0: it cannot be asked
	DiskError string
	Memory    Memory
	// PerHour is what the database has grown by in an hour of measuring, bytes; 0:
	// nothing has been measured lately.
	PerHour      float64
	Damage       string        // what the last check of the database found; "": nothing
	Checked      time.Time     // when it ended; zero: never
	Reports      int           // open, at work and waiting
	MostOpen     int           // that may be open
	Link         string        // what is wrong with the link to the bench; "": nothing
	Remedy       string        // of the link
	Back         time.Duration // by which the clock has been set back since the start, or is behind what is stored
	CertEnds     time.Time     // zero: there is no certificate
	CertTrouble  string
	BackupAt     time.Time     // of the last backup by the timetable that succeeded; zero: none
	BackupEvery  time.Duration // 0: there is no timetable
	BackupFailed string        // why the last one failed; "": it did not
	SignOn       string        // why nobody can come in by the single sign-on; "": they can
	SignOnName   string        // what the lab calls it; "": it has none
	Database     string        // why the database does not answer; "": it does
}

// Report is the state of the server.
type Report struct {
	Sample
	Level Level
	Facts []Fact
}

// The bounds of the levels. A full disk ends a run; the database needs room for its
// log beside what it grows by.
const (
	diskTrouble, diskAttention   = DiskReserve, 1 << 30 // bytes
	hoursTrouble, hoursAttention = 1.0, 24.0
	certAttention                = 14 * 24 * time.Hour
	backUnnoticed                = 2 * time.Second // clocks are set by as much without harm
)

// Judge works out what a sample means.
func Judge(s Sample) Report {
	r := Report{Sample: s}
	for _, f := range []Fact{s.database(), s.disk(), s.memory(), s.damage(), s.link(), s.reports(), s.clock(), s.certificate(), s.signOn(), s.backup()} {
		if f.Key != "" {
			r.Facts = append(r.Facts, f)
			r.Level = max(r.Level, f.Level)
		}
	}
	return r
}

// Fact returns the fact of that key; the zero Fact where there is none.
func (r *Report) Fact(key string) Fact {
	for _, f := range r.Facts {
		if f.Key == key {
			return f
		}
	}
	return Fact{}
}

// HoursLeft is for how many hours of measuring at the present rate the disk has
// room; +Inf where nothing is measured.
func (s *Sample) HoursLeft() float64 {
	if s.PerHour <= 0 {
		return math.Inf(1)
	}
	return math.Max(0, float64(s.FreeBytes)-diskTrouble) / s.PerHour
}

func (s *Sample) database() Fact {
	f := Fact{Key: "database", Title: "Database", Words: "It answers."}
	if s.Database != "" {
		f.Level, f.Words, f.Remedy = Trouble, "It does not answer: "+s.Database+".", "Look into the server's log; a run at work has been ended, and what was shown is on disk."
	}
	return f
}

func (s *Sample) disk() Fact {
	f := Fact{Key: "disk", Title: "Disk", Words: quantity.Bytes(float64(s.FreeBytes)) + " free"}
	if s.DiskBytes == 0 {
		f.Level, f.Words = Attention, "How much room there is cannot be found out: "+cmp.Or(s.DiskError, "this system does not tell")+"."
		return f
	}
	hours := s.HoursLeft()
	switch {
	case math.IsInf(hours, 1):
		f.Words += "; nothing has been measured lately that would fill it."
	default:
		f.Words += ", room for " + hoursText(hours) + " of measuring at the present rate of " + quantity.Bytes(s.PerHour) + " an hour."
	}
	const remedy = "Delete runs that nobody needs, or move the database to a larger disk. A disk that is full ends the run at work."
	switch {
	case s.FreeBytes < diskTrouble || hours < hoursTrouble:
		f.Level, f.Remedy = Trouble, remedy
	case s.FreeBytes < diskAttention || hours < hoursAttention:
		f.Level, f.Remedy = Attention, remedy
	}
	return f
}

func (s *Sample) damage() Fact {
	f := Fact{Key: "damage", Title: "What is kept"}
	switch {
	case s.Damage != "":
		f.Level, f.Words, f.Remedy = Trouble, "Damaged: "+s.Damage, "Make a copy of the database file, then look at what is damaged and bring it back from a backup."
	case s.Checked.IsZero():
		f.Words = "It has not been checked since the start; what is read is checked each time."
	default:
		f.Words = "Checked " + s.Checked.UTC().Format("2006-01-02 15:04") + " UTC: sound."
	}
	return f
}

func (s *Sample) link() Fact {
	f := Fact{Key: "link", Title: "Bench", Words: "Its link answers."}
	if s.Link != "" {
		f.Level, f.Words, f.Remedy = Trouble, s.Link, s.Remedy
	}
	return f
}

func (s *Sample) reports() Fact {
	f := Fact{Key: "reports", Title: "Reports", Words: fmt.Sprintf("%d open of %d that may be.", s.Reports, s.MostOpen)}
	if s.MostOpen > 0 && s.Reports >= s.MostOpen {
		f.Level, f.Remedy = Attention, "Further ones are asked to come again later. Stop and make safe do not wait for them."
	}
	return f
}

func (s *Sample) clock() Fact {
	f := Fact{Key: "clock", Title: "Clock", Words: "It has not been set back."}
	if s.Back > backUnnoticed {
		f.Level = Attention
		f.Words = "It is " + s.Back.Round(time.Second).String() + " behind: it was set back, or has lost its time."
		f.Remedy = "Set the clock of the server. Times of runs and events from before may lie in the future."
	}
	return f
}

func (s *Sample) certificate() (f Fact) {
	if s.CertEnds.IsZero() {
		return f
	}
	f = Fact{Key: "certificate", Title: "Certificate", Words: "Ends " + s.CertEnds.UTC().Format("2006-01-02 15:04") + " UTC."}
	if s.CertTrouble != "" {
		f.Level, f.Words = Attention, f.Words+" The files have changed and cannot be used: "+s.CertTrouble+"."
		f.Remedy = "Mend the files; they are read again by themselves."
	}
	switch left := s.CertEnds.Sub(s.At); {
	case left <= 0:
		f.Level, f.Words, f.Remedy = Trouble, "Ended "+s.CertEnds.UTC().Format("2006-01-02 15:04")+" UTC: browsers refuse it.", "Renew it; the files are read again by themselves."
	case left < certAttention:
		f.Level, f.Remedy = max(f.Level, Attention), cmp.Or(f.Remedy, "Renew it; the files are read again by themselves.")
	}
	return f
}

func (s *Sample) signOn() (f Fact) {
	if s.SignOnName == "" {
		return f
	}
	f = Fact{Key: "sign-on", Title: "Single sign-on", Words: "Its provider answers."}
	if s.SignOn != "" {
		f.Level, f.Words = Attention, "Nobody can come in by "+s.SignOnName+": "+s.SignOn+"."
		f.Remedy = "Whoever is signed in stays so, and links of owners let people in. It is tried again by itself."
	}
	return f
}

func (s *Sample) backup() (f Fact) {
	if s.BackupEvery == 0 && s.BackupFailed == "" {
		return f
	}
	f = Fact{Key: "backup", Title: "Backup", Words: "None has been made yet."}
	if !s.BackupAt.IsZero() {
		f.Words = "The last was made " + s.BackupAt.UTC().Format("2006-01-02 15:04") + " UTC."
	}
	switch {
	case s.BackupFailed != "":
		f.Level, f.Remedy = Attention, "Look at the directory of backups, and make one by hand."
		if s.BackupAt.IsZero() {
			f.Words = "None has been made yet: " + s.BackupFailed + "."
		} else {
			f.Words += " The one after it failed: " + s.BackupFailed + "."
		}
	case s.BackupEvery > 0 && !s.BackupAt.IsZero() && s.At.Sub(s.BackupAt) > 2*s.BackupEvery:
		f.Level, f.Remedy = Attention, "It is overdue: look at the directory of backups, and make one by hand."
	}
	return f
}

// hoursText is a time in the unit that a person plans with.
func hoursText(h float64) string {
	switch {
	case h < 2:
		return fmt.Sprintf("%.0f minutes", h*60)
	case h < 72:
		return fmt.Sprintf("%.0f hours", h)
	case h < 24*365:
		return fmt.Sprintf("%.0f days", h/24)
	default:
		return "more than a year"
	}
}
