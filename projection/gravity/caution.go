package gravity

// Situation is a moment at which someone decides, and must be told.
type Situation string

// The situations.
const (
	Planning  Situation = "planning"  // before brew day
	Pitching  Situation = "pitching"  // wort about to be pitched
	Waiting   Situation = "waiting"   // wort that has not begun to ferment
	Stopping  Situation = "stopping"  // the crash starts
	Packaging Situation = "packaging" // into keg or bottle, either
	Bottling  Situation = "bottling"  // into closed bottles
	Stating   Situation = "stating"   // a strength is shown, printed, put on a label
	Serving   Situation = "serving"   // someone is about to drink it
	Switching Situation = "switching" // the program is to switch equipment
)

// The cautions, one wording for every surface. Sources: 21 CFR 114.3 (pH 4.6);
// FDA Food Code 3-501.16 (5 °C); Menz et al., J. Food Prot. 74 (2011) 1670, and
// Çobo et al., J. Food Prot. 86 (2023) 100183 (growth and survival of germs);
// pH 3.9 is common practice.
const (
	CautionAcid     = "Beer with this little alcohol does not protect itself. Measure the pH with a calibrated meter: below 3.9 before packaging (common practice). Above 4.0 germs that make people ill can grow; above 4.6 it is unsafe unless pasteurised."
	CautionGravity  = "The program watches gravity, not germs: it cannot tell whether a beer is fit to drink."
	CautionCold     = "Cold slows yeast and germs and kills neither. Keep the beer at 5 °C (41 °F) or below from the crash until it is drunk."
	CautionWort     = "Wort that does not ferment has no protection: germs that make people ill can grow in it."
	CautionPressure = "Stopped beer holds sugar and living yeast. If it warms it ferments again: each further point makes about 0.5 volumes of CO2 and 0.13 % ABV in a closed vessel, which can burst. Read the pressure limit on the vessel's own stamp and fit a relief valve."
	CautionBottle   = "Do not bottle stopped beer to keep it warm: bottles have no relief valve, and glass breaks. Priming adds alcohol, about 0.26 % ABV for each volume of CO2."
	CautionEstimate = "Alcohol computed from gravities is an estimate, not a legal measurement."
	CautionLaw      = "Your local law and licensed practice come first; what this program lists is orientation."
	CautionSwitch   = "This switches your own equipment with nobody looking. Try it by hand first; be sure that what it switches may run unattended, that its own thermostat keeps the beer from freezing, and that nothing is harmed if it runs too early or not at all. Its maker's instructions and your local codes come first."
	CautionDrinkers = "Not for people who must avoid alcohol altogether: even below the ceiling there is alcohol in it, and an estimate can be wrong."
)

// Cautions are the texts that belong to a situation, the gravest first. Every
// surface shows these and no wording of its own. None for one not known.
func Cautions(s Situation) []string {
	switch s {
	case Planning:
		return []string{CautionAcid, CautionCold, CautionPressure, CautionDrinkers, CautionGravity, CautionEstimate, CautionLaw}
	case Pitching:
		return []string{CautionAcid, CautionWort, CautionLaw}
	case Waiting:
		return []string{CautionWort, CautionGravity}
	case Stopping:
		return []string{CautionCold, CautionPressure}
	case Packaging:
		return []string{CautionAcid, CautionPressure, CautionCold, CautionDrinkers, CautionEstimate, CautionLaw}
	case Bottling:
		return append([]string{CautionBottle}, Cautions(Packaging)...)
	case Stating:
		return []string{CautionEstimate, CautionDrinkers, CautionLaw}
	case Switching:
		return []string{CautionSwitch, CautionCold}
	case Serving:
		return []string{CautionDrinkers, CautionGravity, CautionCold, CautionLaw}
	}
	return nil
}
