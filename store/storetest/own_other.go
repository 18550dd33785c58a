//go:build !linux && !darwin && !freebsd

package storetest

import "errors"

func startOwn() (string, func() error, error) {
	return "", nil, errors.New("set DEWBENCH_TEST_POSTGRES to the URL of a PostgreSQL server (15 or newer) " +
		"on which databases may be made: on this system the tests cannot start one")
}

func startKept(string, ...string) (string, func() error, error) { return startOwn() }

func programs() (string, error) {
	return "", errors.New("on this system the tests do not look for programs of PostgreSQL")
}
