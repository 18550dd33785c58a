package main

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
)

// ofPlant begins the path of a field of one plant.
var ofPlant = regexp.MustCompile(`^plants\[([0-9]+)\]\.?(.*)$`)

// flagOf names the flags that give the fields of a collection.
var flagOf = map[string]string{
	"asOfDate": "--as-of", "horizonDays": "--horizon", "timeZone": "--time-zone",
	"latitudeDeg": "--latitude", "hemisphere": "--hemisphere", "feedingWeekdays": "--weekdays",
}

// refused turns what a call refused into words of the command line: plants by
// their tags, other fields by their flags, all that the answer names.
func refused(err error, pots []pot) error {
	s, ok := status.FromError(err)
	if !ok {
		return err
	}
	var lines []string
	for _, d := range s.Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			lines = append(lines, inWords(v.GetField(), pots)+v.GetDescription())
		}
	}
	if len(lines) == 0 {
		return errors.New(s.Message())
	}
	return errors.New(strings.Join(lines, "\n"))
}

// inWords names a field of the request, to go before what is wrong with it.
func inWords(field string, pots []pot) string {
	if flag, ok := flagOf[field]; ok {
		return flag + ": "
	}
	if m := ofPlant.FindStringSubmatch(field); m != nil {
		if i, err := strconv.Atoi(m[1]); err == nil && i < len(pots) {
			if m[2] == "" {
				return fmt.Sprintf("plant %q: ", pots[i].tag)
			}
			return fmt.Sprintf("plant %q, %s: ", pots[i].tag, m[2])
		}
	}
	if field == "" {
		return ""
	}
	return field + ": "
}
