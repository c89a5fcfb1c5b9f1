package alert

import "strings"

// meanwhile says what is to be done while the crash lies ahead, then the rest: that
// there is nothing to do only where no open alert asks for a look, for the page
// heads the sentence with how grave the gravest one is.
func (s *State) meanwhile(rest string) string {
	if do := s.errand(); do != "" {
		return do + ". " + strings.ToUpper(rest[:1]) + rest[1:]
	}
	return "Nothing to do yet: " + rest
}

// errand is what the gravest of the open alerts asks of the brewer while the beer
// ferments, of those that are more than a word to know; "" if none does.
func (s *State) errand() string {
	for _, k := range s.Open {
		switch k {
		case OverCeiling:
			return "Take a hand sample"
		case SensorSilent:
			return s.either(k, noGravity, "Look why no gravity is heard", "Look why a sensor is silent")
		case SensorSuspect:
			return s.either(k, theGravityGiven, "Look whether the original gravity was noted right", "Look why a sensor is not believed")
		case CrashSoon: // of a crash that seems to be needed no more, until that is sure
			return "Keep room in the cold"
		case PH:
			return "See to the pH"
		case Temperature:
			return s.either(k, uncrashed, "Enter the crash if you have started it", "Look at the temperature of the beer")
		}
	}
	return ""
}

// either is one text if this subject of the kind is open, another if not.
func (s *State) either(kind Kind, subject, one, other string) string {
	if s.has(kind, subject) {
		return one
	}
	return other
}
