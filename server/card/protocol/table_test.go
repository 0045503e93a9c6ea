package protocol

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/card/scpi"
	"ohmkeep/server/cardinfo"
)

const channels = 2

func tree(t testing.TB) *scpi.Tree {
	t.Helper()
	tree, err := Tree(channels)
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

// column reads one column of a standards' table, by another one.
func column(t *testing.T, file, name, value string) map[string]string {
	t.Helper()
	f, err := os.Open("../scpi/testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at, of := slices.Index(rows[0], name), slices.Index(rows[0], value)
	out := map[string]string{}
	for _, row := range rows[1:] {
		out[row[at]] = row[of]
	}
	return out
}

// notCollected are the headers that the collected list of SCPI-1999 does not
// have, with the reason why they are taken for the standard's. From memory.
var notCollected = map[string]string{
	"[SOURce]:CURRent:RANGe":                   "as VOLTage:RANGe, which is",
	"[SOURce]:VOLTage:ALC:SOURce":              "from memory, SCPI-1999",
	"[SOURce]:CURRent:PROTection:TRIPped?":     "as VOLTage:PROTection:TRIPped?, which is",
	"[SOURce]:CURRent:PROTection:CLEar":        "as VOLTage:PROTection:CLEar, which is",
	"[SENSe]:VOLTage[:DC]:PROTection[:LEVel]":  "as CURRent, which is",
	"[SENSe]:VOLTage[:DC]:PROTection:TRIPped?": "as CURRent, which is",
	"[SENSe]:VOLTage[:DC]:APERture":            "as CURRent, which is",
	"READ[:SCALar]?":                           "READ[:SCALar][:VOLTage[:DC]]? is, with what may be left out",
	"FETCh?":                                   "FETCh[:SCALar][:VOLTage[:DC]]? is, with what may be left out",
	"STATus:OPERation:CONDition?":              "required by SCPI-1999 volume 1, 4.2.1",
	"STATus:OPERation:ENABle":                  "required by SCPI-1999 volume 1, 4.2.1",
	"STATus:QUEStionable:CONDition?":           "required by SCPI-1999 volume 1, 4.2.1",
	"STATus:QUEStionable:ENABle":               "required by SCPI-1999 volume 1, 4.2.1",
}

// TestHeadersAreTheStandards holds every header against the collected tables
// of IEEE 488.2 and SCPI-1999 in ../scpi/testdata.
func TestHeadersAreTheStandards(t *testing.T) {
	common, subsystem := column(t, "common-commands.csv", "command", "status"), column(t, "subsystem-headers.csv", "header", "status")
	if len(common) < 20 || len(subsystem) < 70 {
		t.Fatalf("%d and %d lines read", len(common), len(subsystem))
	}
	used := map[string]bool{}
	for _, e := range table {
		h := strings.ReplaceAll(e.Header, "<n>", "")
		if strings.HasPrefix(h, "*") {
			for form, name := range map[scpi.Form]string{scpi.Sets: h, scpi.Asks: h + "?"} {
				if _, there := common[name]; e.Form&form != 0 && !there {
					t.Errorf("%s is no common command of the list", name)
				}
			}
			continue
		}
		if e.Form == scpi.Asks {
			h += "?"
		}
		_, there := subsystem[h]
		_, excused := notCollected[h]
		used[h] = excused
		if there == excused {
			t.Errorf("%s: in the list %t, excused %t", h, there, excused)
		}
		if excused && !strings.Contains(e.source, "from memory") {
			t.Errorf("%s: its source does not say that it is from memory", h)
		}
	}
	for h := range notCollected {
		if _, there := used[h]; !there {
			t.Errorf("%s is excused and not in the table", h)
		}
	}
}

// TestRequiredCommands holds that what IEEE 488.2 calls mandatory, and what
// SCPI-1999 requires, is there.
func TestRequiredCommands(t *testing.T) {
	there := map[string]bool{}
	for _, e := range table {
		there[e.Header] = there[e.Header] || e.Form&scpi.Sets != 0
		there[e.Header+"?"] = e.Form&scpi.Asks != 0
	}
	required := requiredHeaders(t)
	for command, status := range column(t, "common-commands.csv", "command", "ieee_488_2_status") {
		if status == "mandatory" {
			required = append(required, command)
		}
	}
	if len(required) != 13+11 {
		t.Errorf("%d commands are required", len(required))
	}
	for _, header := range required {
		if !there[header] {
			t.Errorf("%s is required and not there", header)
		}
	}
}

func requiredHeaders(t *testing.T) []string {
	text, err := os.ReadFile("../scpi/testdata/syntax-and-status.json")
	if err != nil {
		t.Fatal(err)
	}
	var all struct {
		Required []string `json:"required_scpi_commands"`
	}
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	return all.Required
}

func TestEveryCommandIsWhole(t *testing.T) {
	r := Reference()
	known := map[int]string{}
	for _, e := range r.Errors {
		if e.When == "" || e.Text != scpi.Code(e.Number).Text() || e.Text == "" || known[e.Number] != "" {
			t.Errorf("error %d is not whole: %+v", e.Number, e)
		}
		known[e.Number] = e.Text
	}
	if len(r.Commands) != len(table) || len(r.Commands) < 45 {
		t.Fatalf("%d commands", len(r.Commands))
	}
	for _, c := range r.Commands {
		if c.Group == "" || c.Meaning == "" || c.Timing == "" || c.Source == "" || len(c.Examples) == 0 {
			t.Errorf("%s is not whole: %+v", c.Header, c)
		}
		if c.Query != (c.Answer != "") {
			t.Errorf("%s: has a query %t, answers %q", c.Header, c.Query, c.Answer)
		}
		for _, n := range c.Errors {
			if known[n] == "" {
				t.Errorf("%s: error %d is not in the table of errors", c.Header, n)
			}
		}
		if !strings.Contains(c.Source, "from memory") {
			t.Errorf("%s: its source does not say where it is from", c.Header)
		}
	}
	for _, rule := range r.Rules {
		if rule.Title == "" || len(rule.Text) == 0 || slices.Contains(rule.Text, "") {
			t.Errorf("rule %q is not whole", rule.Title)
		}
	}
}

// TestExamples holds that every example is a message of its command, and that
// the answer beside it is one.
func TestExamples(t *testing.T) {
	p := scpi.NewParser(tree(t))
	for _, e := range table {
		forms := scpi.Form(0)
		for _, x := range e.examples {
			questions, about := 0, false
			for p.Start(x.message); p.Next(); {
				u := p.Unit()
				about = about || u.ID == e.ID
				if u.ID == e.ID && u.Query {
					forms |= scpi.Asks
				} else if u.ID == e.ID {
					forms |= scpi.Sets
				}
				if u.Query {
					questions++
				}
			}
			if p.Err() != nil || !about {
				t.Errorf("%s: %q: %v, about it %t", e.Header, x.message, p.Err(), about)
			}
			answers, err := scpi.SplitUnits(nil, x.answer)
			if err != nil || questions == 0 && x.answer != "" || questions > 0 && (len(answers) != questions || x.answer == "") {
				t.Errorf("%s: %q has %d questions, answered %q", e.Header, x.message, questions, x.answer)
			}
			if len(x.message) >= MaxMessage {
				t.Errorf("%s: %q is too long", e.Header, x.message)
			}
		}
		if forms != e.Form {
			t.Errorf("%s: examples for forms %b of %b", e.Header, forms, e.Form)
		}
	}
}

// TestExampleAnswers reads the answers whose form is known.
func TestExampleAnswers(t *testing.T) {
	for _, e := range table {
		for _, x := range e.examples {
			if x.answer == "" || e.ID == EventEnable {
				continue
			}
			values, err := scpi.SplitAnswer(nil, x.answer)
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case e.ID == Read || e.ID == Fetch:
				if len(values)%ReadingValues != 0 {
					t.Errorf("%s: %d values", e.Header, len(values))
				}
				fallthrough
			case strings.HasPrefix(e.answer, "NR3"):
				for _, v := range values {
					if _, err := scpi.ParseNumber(v); err != nil {
						t.Errorf("%s: %q is no number", e.Header, v)
					}
				}
			case strings.HasPrefix(e.answer, "NR1"):
				if _, err := scpi.ParseInteger(x.answer); err != nil {
					t.Errorf("%s: %q is no NR1", e.Header, x.answer)
				}
			case e.ID == ErrorNext:
				entry, err := scpi.ParseError(x.answer)
				if err != nil || entry.Text != entry.Code.Text() {
					t.Errorf("%s: %q: %v", e.Header, x.answer, err)
				}
			case e.ID == ClosedPaths:
				items, err := scpi.ParseChannelList(nil, x.answer)
				if err != nil || !slices.IsSortedFunc(items, scpi.Item.Compare) {
					t.Errorf("%s: %q: %v", e.Header, x.answer, err)
				}
			case e.ID == Identify:
				if len(values) != 4 || len(x.answer) > MaxIdentity {
					t.Errorf("%s: %q", e.Header, x.answer)
				}
			}
		}
	}
}

// TestStatedErrors holds that the mistakes that a command's entry names for
// its parameters are the ones that the parser gives.
func TestStatedErrors(t *testing.T) {
	p := scpi.NewParser(tree(t))
	byID := map[scpi.ID]cardinfo.Command{}
	for i, c := range Reference().Commands {
		byID[table[i].ID] = c
	}
	parameters := []string{"", "1", "1,2,3", "FOO", "ABCDEFGHIJKLMN", `"x"`, "(@1)", "(@)", "(@1:2000)", "(@99999)", "1 QQ", "1 ABCDEFGHIJKLMN",
		"1..2", "1E40000", "9.91E37", "-1", "0", "1" + strings.Repeat("0", 300)}
	tried := 0
	for _, e := range table {
		for _, text := range parameters {
			for _, n := range []int{1, channels + 1} {
				header := plain(e.Header, n)
				if e.Form&scpi.Sets == 0 {
					header += "?"
				}
				p.Start(header + " " + text)
				p.Next()
				code := int(scpi.CodeOf(p.Err()))
				if code != 0 && !slices.Contains(byID[e.ID].Errors, code) {
					t.Errorf("%s %s comes to %d, which is not said of it: %v", header, text, code, byID[e.ID].Errors)
				}
				tried++
			}
		}
	}
	if tried < 1000 {
		t.Errorf("only %d messages", tried)
	}
}

// plain is a header's long form with everything in it that may be.
func plain(header string, n int) string {
	header = strings.NewReplacer("[", "", "]", "").Replace(header)
	return strings.ReplaceAll(header, "<n>", strconv.Itoa(n))
}

// TestBothForms reads every header in its short and its long form.
func TestBothForms(t *testing.T) {
	p := scpi.NewParser(tree(t))
	for _, e := range table {
		parts := strings.Split(strings.TrimPrefix(plain(e.Header, 2), "*"), ":")
		for i, name := range parts {
			letters := strings.TrimRight(name, "2")
			parts[i] = scpi.ShortForm(letters) + name[len(letters):]
		}
		short := strings.Join(parts, ":")
		if strings.HasPrefix(e.Header, "*") {
			short = "*" + short
		}
		for _, text := range []string{short, strings.ToLower(short), plain(e.Header, 2), strings.ToUpper(plain(e.Header, 2))} {
			if e.Form&scpi.Sets == 0 {
				text += "?"
			}
			p.Start(text)
			// Without its parameter a header that is known comes to -109.
			if ok := p.Next(); ok && p.Unit().ID != e.ID || !ok && scpi.CodeOf(p.Err()) != scpi.MissingParameter {
				t.Errorf("%s: %v, %+v", text, p.Err(), p.Unit())
			}
		}
	}
}

func TestCoupled(t *testing.T) {
	if !Coupled(VoltageLevel) || !Coupled(CurrentAperture) || Coupled(Output) || Coupled(Reset) || Coupled(0) {
		t.Error("what is coupled is not what the rule says")
	}
}
