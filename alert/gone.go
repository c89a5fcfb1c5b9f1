package alert

import "strings"

// gone: a sensor that was taken out of the batch is neither missed nor doubted
// any more.
func gone(v *view) (found []finding) {
	for _, key := range v.book.subjects() {
		sensor := strings.TrimPrefix(key, keyOf(kindOf(key), ""))
		switch kind := kindOf(key); kind {
		case SensorSilent, SensorSuspect:
			if v.heard[sensor] == nil && sensor != theGravityGiven && sensor != noGravity && sensor != unwatched {
				found = append(found, finding{kind: kind, subject: sensor, clears: true, why: "the sensor is no longer in the batch"})
			}
		}
	}
	return found
}
