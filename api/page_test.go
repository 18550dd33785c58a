package api

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
)

// page lists taxa by both doors, and fails if they differ in what they list.
func (d *doors) page(t *testing.T, size int, token, filter, orderBy string) (names []string, next string) {
	t.Helper()
	query := url.Values{"pageSize": {fmt.Sprint(size)}, "pageToken": {token}, "filter": {filter}, "orderBy": {orderBy}}
	answer := d.sendRaw(t, "GET", "/v1/taxa?"+query.Encode(), nil, nil)
	if answer.status != http.StatusOK {
		t.Fatalf("status %d: %s", answer.status, answer.body)
	}
	var got struct {
		Taxa          []struct{ Name string }
		NextPageToken string
	}
	if err := json.Unmarshal(answer.body, &got); err != nil {
		t.Fatal(err)
	}
	for _, taxon := range got.Taxa {
		names = append(names, taxon.Name)
	}
	// A token of one door opens the page at the other.
	list, err := pb.NewTaxonServiceClient(d.conn).ListTaxa(context.Background(),
		&pb.ListTaxaRequest{PageSize: int32(size), PageToken: token, Filter: filter, OrderBy: orderBy})
	if err != nil {
		t.Fatal(err)
	}
	var over []string
	for _, taxon := range list.GetTaxa() {
		over = append(over, taxon.GetName())
	}
	if !slices.Equal(over, names) || (list.GetNextPageToken() == "") != (got.NextPageToken == "") {
		t.Fatalf("the doors differ: %v and %v", names, over)
	}
	return names, got.NextPageToken
}

// A walk at any size sees every row once, in the order of one big page. Each
// page but the last is full, and a token stands there if and only if more comes.
func TestPageWalk(t *testing.T) {
	d := open(t)
	for _, c := range []struct{ filter, orderBy string }{
		{"", ""},
		{"", "scientificName desc"},
		{"genus = Drosera", "genus"}, // all tied
		{"", "genus desc"},
		{"trapType != ADHESIVE", "genus desc, scientificName"},
		{`scientificName : "a" AND rank = SPECIES`, "genus,scientificName desc"},
		{"genus = Rosa", ""},
	} {
		whole, next := d.page(t, 1000, "", c.filter, c.orderBy)
		if next != "" {
			t.Fatalf("%v: more than a page", c)
		}
		if sorted := slices.Clone(whole); len(slices.Compact(sorted)) != len(whole) {
			t.Errorf("%v: a row stands twice", c)
		}
		for _, size := range []int{1, 2, 7, 50, max(len(whole), 1), len(whole) + 1} {
			if size == 1 && len(whole) > 60 {
				size = 13
			}
			var walked []string
			token := ""
			for {
				rows, next := d.page(t, size, token, c.filter, c.orderBy)
				walked = append(walked, rows...)
				if next == "" {
					break
				}
				if len(rows) != size {
					t.Fatalf("%v: a page of %d at size %d", c, len(rows), size)
				}
				token = next
			}
			if !slices.Equal(walked, whole) {
				t.Errorf("%v at size %d: %v, want %v", c, size, walked, whole)
			}
		}
	}
	// The usual page has 50 rows; the size may change on the way.
	first, token := d.page(t, 0, "", "", "")
	if len(first) != 50 {
		t.Errorf("%d rows on the usual page", len(first))
	}
	rest, next := d.page(t, 1000, token, "", "")
	if whole, _ := d.page(t, 1000, "", "", ""); next != "" || !slices.Equal(slices.Concat(first, rest), whole) {
		t.Error("a change of size on the way loses or repeats rows")
	}
}

func TestOrderOfTaxa(t *testing.T) {
	d := open(t)
	up, _ := d.page(t, 1000, "", "", "scientificName")
	usual, _ := d.page(t, 1000, "", "", "")
	if !slices.Equal(up, usual) {
		t.Error("the usual order is not by scientificName")
	}
	down, _ := d.page(t, 1000, "", "", "scientificName desc")
	slices.Reverse(down)
	if !slices.Equal(up, down) {
		t.Error("descending is not the other way round")
	}
}

// A token opens what it was given out for, and nothing else.
func TestPageTokensAreBound(t *testing.T) {
	d, other := open(t), open(t)
	_, token := d.page(t, 1, "", "genus = Drosera", "genus")
	_, foreign := other.page(t, 1, "", "genus = Drosera", "genus")
	list := func(d *doors, token, filter, orderBy string) string {
		_, err := pb.NewTaxonServiceClient(d.conn).ListTaxa(context.Background(),
			&pb.ListTaxaRequest{PageSize: 1, PageToken: token, Filter: filter, OrderBy: orderBy})
		return string(reasonOf(status.Convert(err)))
	}
	if reason := list(d, token, "genus = Drosera", "genus"); reason != "" {
		t.Fatalf("its own list: %s", reason)
	}
	bad := map[string]string{
		"another filter":       list(d, token, "genus = Dionaea", "genus"),
		"no filter":            list(d, token, "", "genus"),
		"another order":        list(d, token, "genus = Drosera", "genus desc"),
		"no order":             list(d, token, "genus = Drosera", ""),
		"parts moved":          list(d, token, "genus = Drosera\x00genus", ""),
		"of another server":    list(d, foreign, "genus = Drosera", "genus"),
		"to another server":    list(other, token, "genus = Drosera", "genus"),
		"cut":                  list(d, token[:len(token)-1], "genus = Drosera", "genus"),
		"longer":               list(d, token+"A", "genus = Drosera", "genus"),
		"twice":                list(d, token+token, "genus = Drosera", "genus"),
		"with padding":         list(d, token+"=", "genus = Drosera", "genus"),
		"empty but for spaces": list(d, " ", "genus = Drosera", "genus"),
	}
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(raw), "drosera") {
		t.Error("the token shows where it leads")
	}
	for i := range raw {
		changed := slices.Clone(raw)
		changed[i] ^= 1
		bad[fmt.Sprintf("byte %d", i)] = list(d, base64.RawURLEncoding.EncodeToString(changed), "genus = Drosera", "genus")
	}
	for name, reason := range bad {
		want := "INVALID_PAGE_TOKEN"
		if name == "parts moved" { // the filter is refused first, for its NUL
			want = "INVALID_FIELDS"
		}
		if reason != want {
			t.Errorf("%s: %q", name, reason)
		}
	}
}

// Filters hold what they say, row by row.
func TestFiltersHold(t *testing.T) {
	d := open(t)
	all, err := pb.NewTaxonServiceClient(d.conn).ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for filter, holds := range map[string]func(*pb.Taxon) bool{
		"rank = GENUS":                        func(x *pb.Taxon) bool { return x.GetRank() == pb.Taxon_GENUS },
		"rank != GENUS":                       func(x *pb.Taxon) bool { return x.GetRank() != pb.Taxon_GENUS },
		`trapType = "SNAP"`:                   func(x *pb.Taxon) bool { return x.GetTrapType() == pb.Taxon_SNAP },
		"habit = LARGE AND rank = SPECIES":    func(x *pb.Taxon) bool { return x.GetHabit() == pb.Taxon_LARGE && x.GetRank() == pb.Taxon_SPECIES },
		"habit = LARGE rank = SPECIES":        func(x *pb.Taxon) bool { return x.GetHabit() == pb.Taxon_LARGE && x.GetRank() == pb.Taxon_SPECIES },
		"restSeason = SUMMER":                 func(x *pb.Taxon) bool { return x.GetRest().GetSeason() == pb.Taxon_Rest_SUMMER },
		"restSeason = SEASON_UNSPECIFIED":     func(x *pb.Taxon) bool { return x.GetRest() == nil },
		"citesAppendix = II":                  func(x *pb.Taxon) bool { return x.GetCites().GetAppendix() == pb.Taxon_CitesListing_II },
		"citesAppendix != II":                 func(x *pb.Taxon) bool { return x.GetCites().GetAppendix() != pb.Taxon_CitesListing_II },
		`genus = "drosera"`:                   func(x *pb.Taxon) bool { return x.GetGenus() == "Drosera" },
		`genus != "Drosera"`:                  func(x *pb.Taxon) bool { return x.GetGenus() != "Drosera" },
		`genus : "ROS"`:                       func(x *pb.Taxon) bool { return strings.Contains(strings.ToLower(x.GetGenus()), "ros") },
		`scientificName = "drosera capensis"`: func(x *pb.Taxon) bool { return x.GetName() == "taxa/drosera-capensis" },
		`scientificName : ""`:                 func(*pb.Taxon) bool { return true },
	} {
		got, err := pb.NewTaxonServiceClient(d.conn).ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 1000, Filter: filter})
		if err != nil {
			t.Errorf("%s: %v", filter, err)
			continue
		}
		var want, names []string
		for _, x := range all.GetTaxa() {
			if holds(x) {
				want = append(want, x.GetName())
			}
		}
		for _, x := range got.GetTaxa() {
			names = append(names, x.GetName())
		}
		if !slices.Equal(names, want) {
			t.Errorf("%s: %d rows, want %d", filter, len(names), len(want))
		}
		if len(want) == 0 || len(want) == len(all.GetTaxa()) && filter != `scientificName : ""` {
			t.Errorf("%s tells nothing: %d rows", filter, len(want))
		}
	}
}
