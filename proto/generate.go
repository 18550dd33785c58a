// Package proto holds the contract: the .proto files under dewbench/v1 with the Go
// code and the OpenAPI document made from them.
//
// After a change of a .proto file run, at the top of the repository,
//
//	go generate ./proto
//
// and commit what it wrote. It needs nothing but Go. The versions of buf and of what
// it needs are pinned in buf.mod, those of the plugins in the tool lines of go.mod.
//
// buf also runs alone. It wants the third-party files in place, which go generate
// prints first:
//
//	go run ./proto/printer proto/thirdparty
//	go -C proto tool -modfile=buf.mod buf lint
//	go -C proto tool -modfile=buf.mod buf breaking --path dewbench --against baseline.binpb.gz
//
// The last compares with baseline.binpb.gz, the contract of the latest release. A
// release makes a new one:
//
//	go -C proto tool -modfile=buf.mod buf build --path dewbench --exclude-source-info -o baseline.binpb.gz
package proto

//go:generate go run ./printer thirdparty
//go:generate go tool -modfile=buf.mod buf format --write --path dewbench
//go:generate go tool -modfile=buf.mod buf lint
//go:generate go tool -modfile=buf.mod buf generate
//go:generate go run ./document openapi.swagger.json openapi.json
