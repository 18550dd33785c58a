package proto

import _ "embed"

// OpenAPI is the OpenAPI (Swagger 2.0) document of the HTTP calls, as JSON. Do not
// write to it.
//
//go:embed openapi.json
var OpenAPI []byte
