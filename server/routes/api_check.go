package routes

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/procedure"
)

// apiCheck is the JSON of the check before power: findings, durations and
// predictions for a procedure before anything is energised.
type apiCheck struct {
	Total        float64           `json:"total" doc:"seconds that the whole should take"`
	Rule         string            `json:"rule" doc:"the procedure's decision rule in words"`
	Startable    bool              `json:"startable" doc:"no error stands in the way"`
	Acknowledge  []string          `json:"acknowledge" doc:"names of the warnings that a start must acknowledge"`
	Findings     []apiCheckFinding `json:"findings" doc:"errors first"`
	Untouched    []int             `json:"untouched" doc:"pins that no measurement reads"`
	Measurements []apiEstimate     `json:"measurements"`
}

// apiCheckFinding is the JSON of one finding of the check before power.
type apiCheckFinding struct {
	Severity    procedure.Severity `json:"severity"`
	Code        string             `json:"code" doc:"stable"`
	Name        string             `json:"name" doc:"what a warning is acknowledged by"`
	Measurement int                `json:"measurement" doc:"index in the procedure; -1: none in particular"`
	ID          string             `json:"id,omitempty" doc:"of the measurement; under a condition with its ending"`
	Pins        []int              `json:"pins,omitempty"`
	Message     string             `json:"message" doc:"names the pins, the rating and the remedy"`
	Fields      []string           `json:"fields,omitempty" doc:"JSON paths in the procedure, or below device or pinMap"`
}

func findingsOf(list []procedure.Finding) []apiCheckFinding {
	out := make([]apiCheckFinding, 0, len(list))
	for _, f := range list {
		out = append(out, apiCheckFinding{f.Severity, f.Code, f.Name(), f.Measurement, f.ID, f.Pins, f.Message, f.Fields})
	}
	return out
}

// apiEstimate is the JSON of one measurement's estimate: the time that it
// should take, and how well its results will be known.
type apiEstimate struct {
	ID          string          `json:"id"`
	Points      int64           `json:"points"`
	Readings    int64           `json:"readings"`
	Switching   float64         `json:"switching" doc:"seconds for paths to open and close"`
	Settling    float64         `json:"settling" doc:"seconds"`
	Reading     float64         `json:"reading" doc:"seconds of apertures and of waits between readings"`
	Ramp        float64         `json:"ramp" doc:"seconds for supplies to come up and go down"`
	Predictions []apiPrediction `json:"predictions"`
}

// apiPrediction is the JSON of one result's predicted uncertainty.
type apiPrediction struct {
	Key         string          `json:"key"`
	Pin         int             `json:"pin,omitempty"`
	Group       string          `json:"group,omitempty"`
	U           apidoc.Nullable `json:"u" doc:"half-width of the interval that holds the true value with 95 %, in the result's unit"`
	K           apidoc.Nullable `json:"k" doc:"coverage factor of u"`
	Ratio       apidoc.Nullable `json:"ratio" doc:"of the width of the limits, for a single one its distance from zero, to the width of plus and minus U"`
	Reach       string          `json:"reach,omitempty" doc:"what would make the ratio 4"`
	W           *float64        `json:"w,omitempty" doc:"guard band that the decision rule keeps, in the result's unit"`
	Given       apidoc.Nullable `json:"given" doc:"part of the limits' width that the decision rule gives away, for a single limit of its distance from zero"`
	FalseAccept apidoc.Nullable `json:"falseAccept" doc:"how probably the last value that passes is beyond its limit"`
}

func (s *Server) apiCheck(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	p, err := s.Store.GetProcedure(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	d, err := s.Store.GetDevice(ctx, p.Body.Device, 0)
	if err != nil {
		return err
	}
	report, err := s.Lab.PrePower(ctx, s.bench(ctx), &d.Body, &p.Body)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, checkAnswer(p.Body.Rule(), report))
}

func checkAnswer(rule procedure.Rule, report procedure.CheckReport) apiCheck {
	out := apiCheck{Total: report.Total, Rule: rule.Name(), Startable: len(report.Errors()) == 0, Untouched: report.Untouched,
		Findings: findingsOf(report.Findings)}
	seen := map[string]bool{}
	for _, f := range report.Warnings() {
		if !seen[f.Name()] {
			seen[f.Name()] = true
			out.Acknowledge = append(out.Acknowledge, f.Name())
		}
	}
	for _, m := range report.Measurements {
		e := m.Estimate
		a := apiEstimate{ID: m.ID, Points: e.Points, Readings: e.Readings, Switching: e.Switching, Settling: e.Settling, Reading: e.Reading, Ramp: e.Ramp}
		for _, q := range m.Predictions {
			a.Predictions = append(a.Predictions, apiPrediction{q.Key, q.Pin, q.Group, apidoc.Nullable(q.U), apidoc.Nullable(q.K), apidoc.Nullable(q.Ratio), q.Reach,
				finiteOrNil(q.Band), apidoc.Nullable(q.Given), apidoc.Nullable(q.FalseAccept)})
		}
		out.Measurements = append(out.Measurements, a)
	}
	return out
}
