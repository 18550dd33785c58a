package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dewbench/service/table"
)

// decimal is the value of a flag: a number with a point or a comma.
type decimal struct {
	value *float64 // nil: not given
	rule  string   // what it must be
}

// Set reads it.
func (d *decimal) Set(text string) error {
	v, err := readDecimal(text)
	if err != nil {
		return errors.New(d.rule)
	}
	d.value = &v
	return nil
}

// String writes it.
func (d *decimal) String() string {
	if d.value == nil {
		return ""
	}
	return strconv.FormatFloat(*d.value, 'g', -1, 64)
}

// Type names its kind in the help.
func (d *decimal) Type() string { return "number" }

// readDecimal reads a number with a point or a comma.
func readDecimal(text string) (float64, error) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
		err = strconv.ErrRange
	}
	return v, err
}

// flagFault tells in plain words what is wrong with a flag.
func flagFault(c *cobra.Command, err error) error {
	see := fmt.Sprintf("see %s --help", c.CommandPath())
	var bad *pflag.InvalidValueError
	var unknown *pflag.NotExistError
	var empty *pflag.ValueRequiredError
	switch {
	case errors.As(err, &bad):
		rule := bad.Unwrap().Error()
		switch bad.GetFlag().Value.Type() {
		case "int", "int32", "int64":
			rule = "must be a whole number"
		case "bool":
			rule = "is on or off: give it without a value"
		case "duration":
			rule = "must be a time such as 30s or 5m"
		}
		return fmt.Errorf("--%s %s: %s", bad.GetFlag().Name, bad.GetValue(), rule)
	case errors.As(err, &empty):
		return fmt.Errorf("--%s: needs a value: %s", empty.GetFlag().Name, see)
	case errors.As(err, &unknown):
		if before := c.Flags().Args(); c.HasSubCommands() && len(before) > 0 {
			return noArguments(c, before) // the command is what is wrong
		}
		if short := unknown.GetSpecifiedShortnames(); short != "" {
			if _, err := readDecimal(short); err == nil {
				return fmt.Errorf("-%s: must be more than 0", short)
			}
			return fmt.Errorf("unknown flag: -%s: %s", short, see)
		}
		if near := nearFlag(c, unknown.GetSpecifiedName()); near != "" {
			return fmt.Errorf("%w; did you mean --%s? See %s --help", err, near, c.CommandPath())
		}
	}
	return fmt.Errorf("%w: %s", err, see)
}

// nearFlag returns the flag that was most likely meant by an unknown one, or "".
func nearFlag(c *cobra.Command, given string) string {
	if len(given) < 2 {
		return ""
	}
	meant := ""
	var all []string
	c.Flags().VisitAll(func(f *pflag.Flag) {
		all = append(all, f.Name)
		if strings.Contains(f.Name, given) {
			meant = f.Name
		}
	})
	if near := table.Nearest(given, all, 1); len(near) > 0 {
		meant = near[0]
	}
	return meant
}
