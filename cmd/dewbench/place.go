package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/type/dayofweek"

	pb "dewbench/proto/dewbench/v1"
)

// placeFlags say where plants grow and when they are fed.
type placeFlags struct {
	zone, hemisphere string
	latitude         decimal
	weekdays         []string
}

// add adds the flags. zoneFor says what the time zone is for.
func (p *placeFlags) add(c *cobra.Command, zoneFor string) {
	f := c.Flags()
	f.StringVar(&p.zone, "time-zone", "", "time zone of the plants, such as Europe/Berlin, "+zoneFor)
	p.latitude.rule = "must be degrees such as 52 or 52,5, south negative"
	f.Var(&p.latitude, "latitude", "latitude of the plants in degrees, south negative, for their rests")
	f.StringVar(&p.hemisphere, "hemisphere", "north", "north or south, where no latitude is given")
	f.StringSliceVar(&p.weekdays, "weekdays", nil, "days of the week on which you feed, such as wed,sat (default every day)")
}

// where is what the flags say.
type where struct {
	zone       *time.Location // nil: not given
	latitude   *float64
	hemisphere pb.Collection_Hemisphere
	weekdays   []dayofweek.DayOfWeek
}

func (p *placeFlags) read() (*where, error) {
	w := &where{latitude: p.latitude.value}
	var err error
	if p.zone != "" {
		if w.zone, err = time.LoadLocation(p.zone); err != nil || p.zone == "Local" {
			return nil, fmt.Errorf("--time-zone %s: is not a time zone such as Europe/Berlin", p.zone)
		}
	}
	if l := p.latitude.value; l != nil && !(*l >= -90 && *l <= 90) {
		return nil, fmt.Errorf("--latitude %g: must be degrees from -90 to 90, north positive", *l)
	}
	switch strings.ToLower(p.hemisphere) {
	case "north":
		w.hemisphere = pb.Collection_NORTH
	case "south":
		w.hemisphere = pb.Collection_SOUTH
	default:
		return nil, fmt.Errorf("--hemisphere %s: must be north or south", p.hemisphere)
	}
	for _, text := range p.weekdays {
		day, err := weekday(text)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(w.weekdays, day) {
			w.weekdays = append(w.weekdays, day)
		}
	}
	return w, nil
}

// weekday reads a day of the week, of which the first three letters are enough.
func weekday(text string) (dayofweek.DayOfWeek, error) {
	word := strings.ToUpper(strings.TrimSpace(text))
	for d := dayofweek.DayOfWeek_MONDAY; d <= dayofweek.DayOfWeek_SUNDAY; d++ {
		if len(word) >= 3 && strings.HasPrefix(d.String(), word) {
			return d, nil
		}
	}
	return 0, fmt.Errorf("--weekdays %s: must be days such as mon or saturday", text)
}
