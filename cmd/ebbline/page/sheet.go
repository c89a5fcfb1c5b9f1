package page

// sheet is what every form shows: what was typed, what is wrong with it, what
// was probably meant, and the scales.
type sheet struct {
	// Key makes sending the form twice harmless.
	Key    string
	Values map[string]string
	Errors map[string]string
	Offers map[string]string // by field: what was probably meant
	Odd    []string          // what is entered only if a person says that it is so
	Units  Units
}

// field is one input with its label, its unit and what is wrong with it.
type field struct {
	Name, Label, Hint, Value, Error string
	Type, Mode                      string // of the input; Mode is the keyboard
	// Offer is what was probably meant; the button that takes it is good only
	// while Value still stands.
	Offer string
	// Units, if any, are chosen beside the input under UnitName.
	Units    []choice
	UnitName string
	Unit     string // said behind the label, if there is nothing to choose
}

// choice is one of several values.
type choice struct {
	Value, Text string
	On          bool
}

func (f sheet) field(name, label, hint string) field {
	return field{Name: name, Label: label, Hint: hint, Value: f.Values[name], Error: f.Errors[name], Offer: f.Offers[name], Type: "text"}
}

// Text is a line of text.
func (f sheet) Text(name, label, hint string) field { return f.field(name, label, hint) }

// Number is a decimal number in a fixed unit.
func (f sheet) Number(name, label, hint string) field {
	d := f.field(name, label, hint)
	d.Mode = "decimal"
	return d
}

// Gravity is a gravity in SG or °P.
func (f sheet) Gravity(name, label, hint string) field {
	d := f.Number(name, label, hint)
	d.UnitName = "gravity_unit"
	d.Units = []choice{{scaleSG, "SG", !f.Units.Plato}, {scalePlato, "°P", f.Units.Plato}}
	return d
}

// Temperature is a temperature in °C or °F.
func (f sheet) Temperature(name, label, hint string) field {
	d := f.Number(name, label, hint)
	d.UnitName = "temperature_unit"
	d.Units = []choice{{scaleCelsius, "°C", !f.Units.Fahrenheit}, {scaleDegree, "°F", f.Units.Fahrenheit}}
	return d
}

// Volume is a volume in litres or gallons.
func (f sheet) Volume(name, label, hint string) field {
	d := f.Number(name, label, hint)
	d.UnitName = "volume_unit"
	gal := f.Values["volume_unit"] == "gal"
	d.Units = []choice{{"L", "L", !gal}, {"gal", "gal (US)", gal}}
	return d
}

// Limit is a ceiling in % ABV with its comparison.
func (f sheet) Limit(name, label, hint string) field {
	d := f.Number(name, label, hint)
	d.UnitName = "comparison"
	under := f.Values["comparison"] == "under"
	d.Units = []choice{{"up to", "not more", !under}, {"under", "less than", under}}
	return d
}

// When is the moment at which something happened.
func (f sheet) When(label string) field {
	d := f.field("time", label, "")
	d.Type = "datetime-local"
	return d
}

// Clock is a time of day.
func (f sheet) Clock(name, label string) field {
	d := f.field(name, label, "")
	d.Type = "time"
	return d
}

// Is reports whether a value was chosen, for radio buttons and selections.
func (f sheet) Is(name, value string) bool { return f.Values[name] == value }
