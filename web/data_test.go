package web

import (
	"time"

	"github.com/a-h/templ"
)

// dataSamples are the pages of what is kept and of who did what.
func dataSamples() map[string]templ.Component {
	day := time.Date(2030, 1, 2, 3, 4, 5, 0, time.UTC)
	nasty := `"><script>alert(1)</script>`
	page := samplePage("/data", "What is kept")
	page.Notices = []Notice{{Kind: "problem", Text: "The database is older than its last known state. " + nasty, Link: "/data"}}
	full := DataProps{Page: page, Operator: true, Owner: true, Notices: []DataNotice{{ID: "1", At: day, Text: nasty}}, Met: []string{"results of run " + nasty},
		Checking: true, Progress: "runs, 12 of 400", Checked: &DataChecked{At: day, Words: "400 runs", More: 3,
			Findings: []DataFinding{{Subject: "run 01a22c95-5ebd-7aea-bfe1-ac1475b44ea6", Link: "/runs/01a22c95-5ebd-7aea-bfe1-ac1475b44ea6", What: nasty}, {Subject: nasty, What: "row 4 of a table refers to nothing"}}},
		Dir: "/var/lib/ohmkeep/backups", Timetable: "every 24h.", Backups: []DataBackup{
			{At: day, Path: "/var/lib/ohmkeep/backups/ohmkeep-20300102T030405.000.db", Size: "1.4 GB", Took: "31 s", By: "timetable"},
			{At: day, Path: nasty, Size: "0 B", Took: "1 ms", By: nasty, Error: "the disk is full"}}}
	events := EventsProps{Page: samplePage("/events", "Who did what"), Filter: Form{ID: "filter"}, Older: "/events?cursor=3", Newest: "/events", CSV: "/events.csv",
		Rows: []EventRow{{Number: "4", At: day, By: "R. Okonjo", Action: "delete run", Subject: "01a22c95-5ebd-7aea-bfe1-ac1475b44ea6", Detail: "device tarnel-6, unit S1: pass"},
			{Number: "3", At: day, By: nasty, Action: "note", Subject: "01a22c95-5ebd-7aea-bfe1-ac1475b44ea6", Link: "/runs/01a22c95-5ebd-7aea-bfe1-ac1475b44ea6", Detail: "before: " + nasty, Broken: true}}}
	return map[string]templ.Component{
		"data": Data(full), "data-new": Data(DataProps{Page: samplePage("/data", "What is kept"), Owner: true, Operator: true, Dir: "/backups"}),
		"data-viewer": Data(DataProps{Page: samplePage("/data", "What is kept"), Failed: "It was called off.", Dir: "/backups", Checked: &DataChecked{At: day, Words: "1 run"}}),
		"events":      Events(events), "events-none": Events(EventsProps{Page: samplePage("/events", "Who did what"), Filter: Form{ID: "filter"}, CSV: "/events.csv"}),
	}
}
