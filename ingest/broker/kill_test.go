package broker

const victimKind = "EBBLINE_BROKER_TEST_VICTIM"

func victim(string) int { return 2 }
