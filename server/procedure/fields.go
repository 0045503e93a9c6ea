package procedure

import "ohmkeep/server/quantity"

// The fields that kinds share. A kind takes those that it uses, with a unit and
// a help text of its own where it knows better.
var (
	fieldPins = Field{Name: "pins", Label: "Pins", Type: FieldPins, Section: SectionPins,
		Help: "measured one after the other", Doc: "pin numbers, each measured in turn",
		said: saidPins, phrase: sayPins, value: listAt(func(m *Measurement) *[]int { return &m.Pins })}
	fieldAgainst = Field{Name: "against", Label: "Second terminal", Type: FieldPin, Section: SectionPins,
		Help: "pin that is tied to the return; none: the device's grounds", Doc: "second terminal, a pin number; 0: the return",
		None: "the return", Ground: true, SaidWith: "pins",
		value: valueAt(func(m *Measurement) *int { return &m.Against })}
	fieldObserve = Field{Name: "observe", Label: "Watched output", Type: FieldPin, Section: SectionPins,
		Help: "pin whose voltage answers", Doc: "pin whose voltage answers",
		said: saidObserve, Words: "watch the voltage at pin %s", value: valueAt(func(m *Measurement) *int { return &m.Observe })}
	fieldUse = Field{Name: "use", Label: "Force", Type: FieldChoice, Section: SectionForce,
		Choices: []string{string(UseVoltage), string(UseCurrent)},
		Help:    "what the measured pin is forced with", Doc: "what the measured pin is forced with",
		Rules: rules{"enum": []Use{UseVoltage, UseCurrent}}, SaidWith: "level",
		value: wordAt(func(m *Measurement) *Use { return &m.Use })}
	fieldLevel = Field{Name: "level", Label: "Level", Type: FieldQuantity, By: ByForced, Section: SectionForce,
		Help: "current is positive into the pin", Doc: "V or A; a current is positive into the pin",
		said: saidForce, phrase: sayLevel, value: valueAt(func(m *Measurement) *float64 { return &m.Level })}
	fieldSweep = Field{Name: "sweep", Label: "Sweep", Type: FieldSweep, By: ByForced, Section: SectionForce,
		Doc: "levels to run through", said: saidForce, phrase: saySweep,
		value: valueAt(func(m *Measurement) **Sweep { return &m.Sweep })}
	fieldCompliance = Field{Name: "compliance", Label: "Compliance", Type: FieldQuantity, By: BySensed, Section: SectionForce,
		Help: "limit of the quantity that is not forced", Doc: "limit of the quantity that is not forced, A or V",
		said: saidForce, phrase: sayCompliance, value: valueAt(func(m *Measurement) *float64 { return &m.Compliance })}
	fieldStep = Field{Name: "step", Label: "Step a second pin", Type: FieldStep, Section: SectionForce,
		Help: "a curve for each of its levels", Doc: "a second pin, a curve for each of its levels",
		said: saidStep, phrase: sayStep, value: valueAt(func(m *Measurement) **Step { return &m.Step })}
	fieldHold = Field{Name: "hold", Label: "Other pins", Type: FieldHold, Section: SectionOthers,
		Help: "what other pins are held at; a supply named here keeps to this instead of its power step",
		Doc:  "conditions on other pins", said: saidHold, phrase: sayHold,
		value: listAt(func(m *Measurement) *[]Hold { return &m.Hold })}
	fieldPowered = Field{Name: "powered", Label: "Supplies up", Type: FieldFlag, Section: SectionOthers,
		Help: "brings the supplies up in the device's power order first", Doc: "brings the supplies up first",
		said: saidPowered, Words: "supplies up in the device's power order",
		value: valueAt(func(m *Measurement) *bool { return &m.Powered })}
	fieldRest = Field{Name: "rest", Label: "Other inputs", Type: FieldChoice, Section: SectionOthers, Usual: true,
		Choices: []string{string(UseReturn), string(UseOpen)},
		Help:    "inputs that nothing names; left out: return with the supplies up, otherwise open",
		Doc:     "what becomes of inputs that nothing names", Rules: rules{"enum": []Use{UseReturn, UseOpen}},
		said: saidRest, phrase: sayRest("other inputs"), value: wordAt(func(m *Measurement) *Use { return &m.Rest })}
	fieldMethod = Field{Name: "method", Label: "Method", Type: FieldChoice, Section: SectionPins,
		Doc:   "how a resistance is measured, or shorts are looked for",
		Rules: rules{"enum": []Method{TwoWire, FourWire, CurrentReversal, AllOthers, Neighbours, EveryPair}},
		said:  saidMethod, Words: "%s", value: wordAt(func(m *Measurement) *Method { return &m.Method })}
	fieldDuration = Field{Name: "duration", Label: "Duration", Type: FieldQuantity, Unit: quantity.Second, Section: SectionTiming,
		Doc: "s, of a watch", said: saidTime, phrase: sayDuration, value: valueAt(func(m *Measurement) *float64 { return &m.Duration })}
	fieldInterval = Field{Name: "interval", Label: "Interval", Type: FieldQuantity, Unit: quantity.Second, Section: SectionTiming,
		Help: "from one reading to the next; left out: back to back", Doc: "s from reading to reading, of a watch; 0: back to back",
		SaidWith: "duration", value: valueAt(func(m *Measurement) *float64 { return &m.Interval })}
	fieldRepeats = Field{Name: "repeats", Label: "Readings a point", Type: FieldCount, Section: SectionTiming,
		Help: "their mean is taken, and their scatter goes into the uncertainty", Doc: "readings a point; 0 is one",
		Rules: rules{"minimum": 0, "maximum": maxRepeats}, SaidWith: "settle",
		value: valueAt(func(m *Measurement) *int { return &m.Repeats })}
	fieldSettle = Field{Name: "settle", Label: "Settle", Type: FieldSettle, Section: SectionTiming, Doc: "wait between applying and reading",
		said: saidReading, phrase: saySettle, value: valueAt(func(m *Measurement) *Settle { return &m.Settle })}
	fieldAperture = Field{Name: "aperture", Label: "Aperture", Type: FieldAperture, Section: SectionTiming, Doc: "how long a reading integrates",
		SaidWith: "settle", value: valueAt(func(m *Measurement) *Aperture { return &m.Aperture })}
	fieldLimits = Field{Name: "limits", Label: "Limits", Type: FieldLimits, Section: SectionLimits, Doc: "limits by key of the result",
		SaidWith: "limits", value: access[map[string]Limit]{func(m *Measurement) map[string]Limit { return m.Limits },
			func(m *Measurement, v map[string]Limit) { m.Limits = v }, func(v map[string]Limit) bool { return len(v) == 0 }}}
)

// sharedFields lists the fields above in the order in which problems are told:
// all that Measurement has members for.
var sharedFields = []Field{fieldPins, fieldAgainst, fieldObserve, fieldUse, fieldLevel, fieldCompliance, fieldSweep, fieldStep,
	fieldHold, fieldPowered, fieldRest, fieldMethod, fieldRepeats, fieldDuration, fieldInterval, fieldSettle, fieldAperture, fieldLimits}

// fieldsOf puts the fields that every kind has behind its own.
func fieldsOf(own ...Field) []Field {
	return append(own, fieldSettle, fieldAperture, fieldLimits)
}

// OwnFields lists the fields that kinds have for themselves, each name once, in
// the order of the kinds.
func OwnFields() []Field {
	var out []Field
	for _, k := range kinds {
		for _, f := range k.Fields() {
			if _, known := fieldNamed(out, f.Name); f.own && !known {
				out = append(out, f)
			}
		}
	}
	return out
}

// fieldsFor lists the fields of a measurement: those of its kind, or where the
// kind is not known all that kinds share.
func fieldsFor(m *Measurement) []Field {
	if k, ok := KindByKey(m.Kind); ok {
		return k.Fields()
	}
	return sharedFields
}
