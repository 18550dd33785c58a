package service

import (
	"fmt"

	"dewbench/service/catalogue"
)

// Services are the calls of the API, one field for each generated server
// interface.
type Services struct {
	Due    *Due
	Taxa   *Taxa
	Server *Server
}

// New returns all calls. version is what the server says of itself, openAPI the
// document of the HTTP calls.
func New(version string, openAPI []byte) (*Services, error) {
	c, err := catalogue.Load()
	if err != nil {
		return nil, fmt.Errorf("catalogue: %w", err)
	}
	pages, err := NewPages()
	if err != nil {
		return nil, err
	}
	return &Services{Due: NewDue(c), Taxa: NewTaxa(c, pages), Server: NewServer(version, c, openAPI)}, nil
}
