package main

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/grpc"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
)

// names finds taxa of the server's catalogue by the names that growers write.
type names map[string]*pb.Taxon

// readNames asks the server for its catalogue.
func readNames(ctx context.Context, conn grpc.ClientConnInterface) (names, error) {
	client := pb.NewTaxonServiceClient(conn)
	found := names{}
	for token := ""; ; {
		page, err := client.ListTaxa(ctx, &pb.ListTaxaRequest{PageSize: 1000, PageToken: token})
		if err != nil {
			return nil, fmt.Errorf("catalogue: %w", err)
		}
		for _, t := range page.GetTaxa() {
			for _, name := range append(t.GetSynonyms(), t.GetScientificName()) {
				found[catalogue.Normalise(name)] = t
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return found, nil
		}
	}
}

// find returns the taxon of a name. Where the catalogue lacks it, its genus
// stands in; then exact is false.
func (n names) find(name string) (t *pb.Taxon, exact bool) {
	key := catalogue.Normalise(name)
	if t, ok := n[key]; ok {
		return t, true
	}
	genus, _, _ := strings.Cut(key, " ")
	return n[genus], false
}
