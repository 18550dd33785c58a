package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/grpc"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/service/table"
)

// names finds taxa of the server's catalogue by the names that growers write.
type names map[string]*pb.Taxon

// readNames asks the server for its catalogue.
func readNames(ctx context.Context, conn grpc.ClientConnInterface) (names, error) {
	client := pb.NewTaxonServiceClient(conn)
	found := names{}
	for token := ""; ; {
		page, err := client.ListTaxa(ctx, &pb.ListTaxaRequest{PageSize: service.MaxPageSize, PageToken: token})
		if err != nil {
			return nil, fmt.Errorf("catalogue: %w", err)
		}
		for _, t := range page.GetTaxa() {
			for _, name := range slices.Concat(t.GetSynonyms(), []string{t.GetScientificName()}) {
				found[catalogue.Normalise(name)] = t
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return found, nil
		}
	}
}

// find returns the taxon of a name. Where the catalogue lacks it, the species
// that the name begins with stands in, else its genus; then exact is false. Where
// neither is there, note says what may have been meant.
func (n names) find(name string) (t *pb.Taxon, exact bool, note string) {
	if letter, rest, ok := shortGenus(name); ok {
		if t, exact, note = n.findShort(letter, rest); t != nil || note != "" {
			return t, exact, note
		}
	}
	key := catalogue.Normalise(name)
	if t, exact = n.begins(key, strings.Contains(name, " × ")); t != nil {
		return t, exact, ""
	}
	genus, _, _ := strings.Cut(key, " ")
	if t = n[genus]; t == nil {
		note = n.guess(name)
	}
	return t, false, note
}

// begins returns the taxon of the longest known beginning of a key, of at least
// two words. A cross that is unknown is no form of its first parent.
func (n names) begins(key string, cross bool) (t *pb.Taxon, whole bool) {
	if t = n[key]; t != nil || cross {
		return t, t != nil
	}
	words := strings.Fields(key)
	for end := len(words) - 1; end >= 2; end-- {
		if t = n[strings.Join(words[:end], " ")]; t != nil {
			return t, false
		}
	}
	return nil, false
}

// shortGenus splits a name that begins with the first letter of its genus, as in
// "D. capensis".
func shortGenus(name string) (letter, rest string, ok bool) {
	first, rest, _ := strings.Cut(strings.TrimLeft(name, "× "), " ")
	letter = strings.ToLower(strings.TrimSuffix(first, "."))
	return letter, rest, utf8.RuneCountInString(letter) == 1
}

// findShort returns the taxon of a name whose genus is one letter, if only one
// fits, or else says which genera it may be.
func (n names) findShort(letter, rest string) (t *pb.Taxon, exact bool, note string) {
	var genera []string
	fits := map[string]bool{} // whether the whole name is that taxon's
	for _, genus := range n.genera() {
		key := strings.ToLower(genus)
		if !strings.HasPrefix(key, letter) {
			continue
		}
		genera = append(genera, genus)
		full := genus + " " + rest
		if found, whole := n.begins(catalogue.Normalise(full), strings.Contains(full, " × ")); found != nil && found != n[key] {
			t = found
			fits[found.GetName()] = fits[found.GetName()] || whole
		}
	}
	switch {
	case len(fits) == 1:
		return t, fits[t.GetName()], ""
	case len(genera) == 0:
		return nil, false, ""
	case len(genera) == 1 && len(fits) == 0:
		return n[strings.ToLower(genera[0])], false, ""
	}
	return nil, false, "has a genus that may be " + strings.Join(genera, ", ") + ": write it in full"
}

// genera are the names of the genera by the alphabet.
func (n names) genera() []string {
	var out []string
	for _, t := range n {
		if name := t.GetScientificName(); !strings.Contains(name, " ") {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// guess says which name of the catalogue may have been meant by one of an unknown
// genus; nothing, if no genus is near.
func (n names) guess(name string) string {
	genus, _, _ := strings.Cut(name, " ")
	near := table.Nearest(genus, n.genera(), 1)
	if len(near) == 0 {
		return ""
	}
	of := map[string]bool{}
	for _, t := range n {
		if strings.HasPrefix(t.GetScientificName(), near[0]) {
			of[t.GetScientificName()] = true
		}
	}
	if whole := table.Nearest(name, slices.Sorted(maps.Keys(of)), 1); len(whole) > 0 {
		near = whole
	}
	return fmt.Sprintf("did you mean %q?", near[0])
}
