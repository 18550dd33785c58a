package table_test

import (
	"fmt"
	"strings"

	"dewbench/service/table"
)

// A grower's two tables, read and joined.
func Example() {
	const plants = "Tag;Name;Location;Acquired\n" +
		"D-001;Drosera x obovata 'Red';Windowsill;23/05/2025\n" +
		"D-002;Drosera capensis;Shelf 2;31/02/2025\n"
	const feedings = "Date,Tag,Traps,Outcome\n" +
		"2026-05-01,d-001,2,ok\n" +
		"2026-05-01,D-01,2,ok\n"

	p, err := table.Plants(strings.NewReader(plants), table.Options{File: "plants.csv"})
	if err != nil {
		fmt.Println(err)
		return
	}
	f, err := table.Feedings(strings.NewReader(feedings), table.Options{File: "feedings.csv"})
	if err != nil {
		fmt.Println(err)
		return
	}
	of := table.Join(table.PlantTags(p), f)
	for i, row := range f.Rows {
		plant := p.Rows[of[i]]
		fmt.Println(plant.Name, plant.Exposure, row.Fed, *row.TrapsFed, row.Outcome)
	}
	for _, problem := range append(p.Problems, f.Problems...) {
		fmt.Println(problem)
	}
	// Output:
	// Drosera ×obovata ‘Red’ WINDOWSILL 2026-05-01 2 CLEAN
	// plants.csv line 3, column "Acquired": "31/02/2025" is not a day of the calendar
	// feedings.csv line 3, column "Tag": "D-01" is the tag of no plant; the nearest: "D-001"
}
