package table

import (
	"strings"
	"testing"
)

func TestSlip(t *testing.T) {
	known := func(columns []Column) (all []string) {
		for _, c := range columns {
			all = append(all, c.Headers...)
		}
		return all
	}
	plants, feedings := known(PlantColumns()), known(FeedingColumns())
	for header, want := range map[string]string{
		"Exposre": "exposure", "Diametre": "diameter", "Diametre_mm": "diameter", "Diamter (cm)": "diameter", "Bnech": "bench",
		"TrapTpye": "trap type", "Last  fde": "last fed", "Aquired": "acquired", "Aquierd": "acquired", "Qyt": "qty", "Quantitty": "quantity",
		"Trial": "", "Standort": "", "Soil": "", "Pot": "", "Pot colour": "", "Weight": "", "Form": "", "Watered": "", "Entered by": "",
		"Measured by": "", "Date sown": "", "Do": "", "Planted": "", "Price": "", "": "", strings.Repeat("long", 17): "",
	} {
		if got := slip(header, plants); got != want {
			t.Errorf("%q: %q, want %q", header, got, want)
		}
	}
	for header, want := range map[string]string{"Outcom": "outcome", "OUTCOEM": "outcome", "Feed": "", "Site": "", "Planted": "", "Weather": ""} {
		if got := slip(header, feedings); got != want {
			t.Errorf("%q: %q, want %q", header, got, want)
		}
	}
}
