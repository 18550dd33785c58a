package main

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/grpc"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
)

// names finds taxa of the server's catalogue by the names that growers write.
type names = catalogue.Names[*pb.Taxon]

// readNames asks the server for its catalogue.
func readNames(ctx context.Context, conn grpc.ClientConnInterface) (*names, error) {
	taxa, err := readTaxa(ctx, conn)
	if err != nil {
		return nil, err
	}
	return catalogue.NewNames(taxa, func(t *pb.Taxon) (string, []string) { return t.GetScientificName(), t.GetSynonyms() }), nil
}

// readTaxa returns all taxa of the server's catalogue.
func readTaxa(ctx context.Context, conn grpc.ClientConnInterface) ([]*pb.Taxon, error) {
	client := pb.NewTaxonServiceClient(conn)
	var all []*pb.Taxon
	for token := ""; ; {
		page, err := client.ListTaxa(ctx, &pb.ListTaxaRequest{PageSize: service.MaxPageSize, PageToken: token})
		if err != nil {
			return nil, fmt.Errorf("catalogue: %w", err)
		}
		all = append(all, page.GetTaxa()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

// bearer is a plant, or a row about one.
type bearer interface {
	GetScientificName() string
	GetCultivar() string
}

// fullName writes a name with its cultivar, in single quotes as the International Code
// of Nomenclature for Cultivated Plants has it (article 14).
func fullName(m bearer) string {
	if m.GetCultivar() == "" {
		return m.GetScientificName()
	}
	return strings.TrimSpace(m.GetScientificName() + " ‘" + m.GetCultivar() + "’")
}
