package due

import "strconv"

// The names of the kinds below are those of the API.

func (t TrapType) String() string {
	return name(t, "TRAP_TYPE_UNSPECIFIED", "ADHESIVE", "SNAP", "PITFALL", "SUCTION", "EEL")
}

func (h Habit) String() string { return name(h, "HABIT_UNSPECIFIED", "SMALL_ROSETTE", "LARGE") }

func (h HandFeed) String() string {
	return name(h, "HAND_FEED_UNSPECIFIED", "ALWAYS", "IF_NOT_CATCHING", "NEVER")
}

func (e Exposure) String() string {
	return name(e, "EXPOSURE_UNSPECIFIED", "OUTDOORS", "GREENHOUSE", "WINDOWSILL", "ENCLOSED")
}

func (o Outcome) String() string {
	return name(o, "OUTCOME_UNSPECIFIED", "CLEAN", "RESIDUE", "MOULD", "REJECTED")
}

func name[K ~uint8](k K, names ...string) string {
	if int(k) < len(names) {
		return names[k]
	}
	return strconv.Itoa(int(k))
}
