package config

import (
	"strconv"

	"ebbline/ingest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// batchFileKeys are the keys of a batch file (contract §5).
func batchFileKeys() Keys {
	return Keys{Name: "batch file", Keys: []Key{
		{Name: "batch", Kind: Object, Of: batchKeys, Need: true, Example: "{name: pale wheat 12, …}", Doc: "the batch"},
		configKeys().key("sensors"),
	}}
}

func batchKeys() Keys {
	return Keys{Name: "batch", Keys: []Key{
		{Name: "id", Kind: Text, Default: "made of name and pitch date", Example: "pale-wheat-12", Doc: "lasting short name: lower-case letters, digits and -, at most 80"},
		{Name: "name", Kind: Text, Need: true, Example: "pale wheat 12", Doc: "one line of at most 100 characters"},
		{Name: "volume", Kind: Volume, Need: true, Example: "19 L", High: 100_000, Open: true, Doc: "beer in the fermenter; L, hL, gal and others"},
		{Name: "original_gravity", Kind: Gravity, Need: true, Example: "1.0132", Low: 1.001, High: 1.2, Doc: "hand sample at pitch, at 20 °C: SG, or with plato"},
		{Name: "original_gravity_sd", Kind: Number, Default: "0.0004", Example: "0.0004", High: 0.01, Open: true, Doc: "standard deviation of that sample, SG; half a point is 0.0005"},
		{Name: "ceiling", Kind: Ceiling, Need: true, Example: "0.5", High: 20, Open: true, Doc: `% ABV that the finished beer must not exceed; "< 0.5" means less than`},
		{Name: "abv_rule", Kind: Word, Words: wordsOf(gravity.Rules()), Default: string(gravity.Balling), Example: string(gravity.Balling), Doc: "rule by which alcohol is computed of gravities; cautious is the highest of them"},
		{Name: "risk", Kind: Number, Default: numberText(DefaultRisk), Example: "0.05", High: 1, Open: true, Doc: "accepted probability that the finished beer ends above the ceiling; less than 1"},
		{Name: "yeast", Kind: Word, Words: []string{string(projection.StandardYeast), string(projection.MaltoseNegative)}, Default: string(projection.StandardYeast), Example: "maltose-negative", Doc: "maltose-negative ferments neither maltose nor maltotriose"},
		{Name: "pitched_at", Kind: Time, Need: true, Example: "2026-03-02T18:00:00Z", Doc: "when the yeast was pitched"},
		{Name: "response_time", Kind: TimeSpan, Low: 0, High: 2 * day, Default: Span(DefaultResponse), Example: "30m", Doc: "from the notification until the crash starts"},
		{Name: "crash", Kind: Object, Of: crashKeys, Doc: "how the beer cools"},
		{Name: "sensors", Kind: List, Item: listOf(Key{Kind: Text, Example: "float-1"}), Need: true, Example: "[float-1]", Doc: "names of the batch's sensors; [] if only hand samples will tell"},
		{Name: "samples", Kind: List, Item: listOf(Key{Kind: Object, Of: sampleKeys}), Default: "none", Doc: "measurements taken by hand; gravity, brix or ph in each"},
		{Name: "temperature", Kind: Object, Of: rangeKeys, Default: "not watched", Doc: "range to keep while the beer ferments"},
		{Name: "temperature_steps", Kind: List, Item: listOf(Key{Kind: Object, Of: stepKeys}), Default: "none", Doc: "changes you plan; the projection counts on them"},
		{Name: "heads_up", Kind: List, Item: listOf(Key{Kind: TimeSpan, Low: 10 * minute, High: 7 * day, Example: "12h"}), Default: "[12h, 3h]", Doc: "when to be warned before the crash"},
		{Name: "quiet", Kind: Object, Of: quietKeys, Default: "the general ones", Doc: "this batch's quiet hours"},
	}}
}

func crashKeys() Keys {
	return Keys{Name: "crash", Keys: []Key{
		{Name: "to", Kind: Temperature, Low: -5, High: 20, Default: "2 Cel", Example: "2 Cel", Doc: "temperature the beer is cooled to"},
		{Name: "time_constant", Kind: TimeSpan, Low: minute, High: 4 * day, Default: Span(DefaultTimeConstant), Example: "5h", Doc: "in which 63 % of the way there is done, of the beer in its vessel; learned later"},
	}}
}

func sampleKeys() Keys {
	return Keys{Name: "sample", Keys: []Key{
		{Name: "time", Kind: Time, Need: true, Example: "2026-03-04T19:00:00Z", Doc: "when it was taken, after pitched_at"},
		{Name: "gravity", Kind: Gravity, Low: 0.98, High: 1.2, Default: "not measured", Example: "1.0115", Doc: "gravity as read"},
		{Name: "temperature", Kind: Temperature, Low: -10, High: 110, Default: "20 Cel", Example: "20 Cel", Doc: "at which that gravity was read"},
		{Name: "brix", Kind: Number, Low: 0, High: 50, Default: "not measured", Example: "3.9", Doc: "refractometer, °Bx"},
		{Name: "ph", Kind: Number, Low: 0, High: 14, Default: "not measured", Example: "4.2", Doc: "pH"},
	}, Together: []any{schema{"anyOf": []any{needs("gravity"), needs("brix"), needs("ph")}}}}
}

func rangeKeys() Keys {
	return Keys{Name: "temperature", Keys: []Key{
		{Name: "low", Kind: Temperature, Need: true, Low: -10, High: 60, Example: "15 Cel", Doc: "lowest"},
		{Name: "high", Kind: Temperature, Need: true, Low: -10, High: 60, Example: "25 Cel", Doc: "highest"},
	}}
}

func stepKeys() Keys {
	return Keys{Name: "temperature step", Keys: []Key{
		{Name: "at", Kind: Time, Need: true, Example: "2026-03-04T18:00:00Z", Doc: "when, after pitched_at"},
		{Name: "to", Kind: Temperature, Need: true, Low: -5, High: 40, Example: "16 Cel", Doc: "the beer's new temperature"},
	}}
}

func sensorKeys() Keys {
	return Keys{Name: "sensor", Keys: []Key{
		{Name: "name", Kind: Text, Need: true, Example: "float-1", Doc: "what batches, messages and page call it; with + or # in the topic each concrete topic is a sensor of its own, NAME/ and what the wildcards matched"},
		{Name: "topic", Kind: TopicFilter, Need: true, Example: "cellar/float-1", Doc: "where it publishes; none under ebbline/batch/"},
		{Name: "time", Kind: Pointer, Default: "the time of arrival counts", Example: "/ts", Doc: "where in the payload the device's own clock stands: RFC 3339, Unix seconds or milliseconds"},
		{Name: "format", Kind: Word, Words: []string{ingest.SenMLFormat}, Default: "JSON with pointers, or a bare number", Example: "senml", Doc: "senml: the payload is a SenML pack (RFC 8428), whose records carry their times"},
		{Name: "text", Kind: Flag, Default: "false", Example: "true", Doc: "whether numbers may stand in strings"},
		{Name: "readings", Kind: List, Low: 1, Item: listOf(Key{Kind: Object, Of: readingKeys}), Need: true, Example: "[{quantity: gravity, pointer: /g, unit: sg}]", Doc: "the values in a payload; at least one, each quantity once"},
	}}
}

func readingKeys() Keys {
	var units []string
	for _, q := range ingest.Quantities() {
		for _, u := range ingest.Units(q) {
			units = withWord(units, u)
		}
	}
	return Keys{Name: "reading", Keys: []Key{
		{Name: "quantity", Kind: Word, Words: wordsOf(ingest.Quantities()), Need: true, Example: "gravity", Doc: "what is measured"},
		{Name: "pointer", Kind: Pointer, Default: "the payload is the number", Example: "/g", Doc: "where the value stands, RFC 6901; needed beside other readings"},
		{Name: "record", Kind: Text, Default: "none", Example: "urn:dev:bench-1:ph", Doc: "with format senml in place of pointer: the record's full name"},
		{Name: "unit", Kind: Word, Words: units, Default: "pH for ph, deg for tilt, SenML's own", Example: "sg", Doc: "gravity in sg, plato, brix, kg/m3; temperature in Cel, K, degF; tilt in deg, rad; ph in pH; battery in V, mV, %"},
		{Name: "calibrated_at", Kind: Temperature, Low: 0, High: 40, Default: "the float corrects itself", Example: "20 Cel", Doc: "temperature for which the scale of a float was made that does not correct itself"},
		{Name: "expansion", Kind: Number, Low: 0, High: ingest.MaxExpansion, Default: "0", Example: "25e-6", Doc: "cubic expansion of the float's body per kelvin; glass about 25e-6"},
		{Name: "calibration", Kind: List, Item: listOf(Key{Kind: Number, Example: "0.98"}), Default: "none", Example: "[0.98, 6.0e-4]", Doc: "SG = c0 + c1·x + c2·x² …, x the tilt in degrees, or the gravity shown by a float that errs along its scale; at most " + strconv.Itoa(ingest.MaxCalibration)},
	}, Together: unitsOfQuantities()}
}

func wordsOf[T ~string](all []T) []string {
	out := make([]string, len(all))
	for i, w := range all {
		out[i] = string(w)
	}
	return out
}

func withWord(all []string, w string) []string {
	for _, have := range all {
		if have == w {
			return all
		}
	}
	return append(all, w)
}

// unitsOfQuantities says which units each quantity may be given in.
func unitsOfQuantities() (all []any) {
	for _, q := range ingest.Quantities() {
		units := []any{nil}
		for _, u := range ingest.Units(q) {
			units = append(units, u)
		}
		all = append(all, schema{
			"if":   schema{"properties": schema{"quantity": schema{"const": string(q)}}},
			"then": schema{"properties": schema{"unit": schema{"enum": units}}},
		})
	}
	return all
}
