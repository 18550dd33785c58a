package store

import (
	"strconv"
	"strings"
)

// Names of resources are made and read here, and nowhere else.

// GrowerName returns growers/{grower}.
func GrowerName(grower string) string { return "growers/" + grower }

// TokenName returns growers/{grower}/tokens/{token}.
func TokenName(grower, token string) string { return GrowerName(grower) + "/tokens/" + token }

// IdentityName returns growers/{grower}/identities/{identity}.
func IdentityName(grower, identity string) string {
	return GrowerName(grower) + "/identities/" + identity
}

// CalendarName returns collections/{collection}/calendars/{calendar} or
// growers/{grower}/calendars/{calendar}; parent is what stands before it.
func CalendarName(parent, calendar string) string { return parent + "/calendars/" + calendar }

// SocietyName returns societies/{society}.
func SocietyName(society string) string { return "societies/" + society }

// MemberName returns societies/{society}/members/{grower}.
func MemberName(society, grower string) string { return SocietyName(society) + "/members/" + grower }

// GrantName returns collections/{collection}/grants/{grant}.
func GrantName(collection, grant string) string {
	return CollectionName(collection) + "/grants/" + grant
}

// InvitationName returns {parent}/invitations/{invitation}; parent is the name of a society
// or a collection.
func InvitationName(parent, invitation string) string { return parent + "/invitations/" + invitation }

// CollectionName returns collections/{collection}.
func CollectionName(collection string) string { return "collections/" + collection }

// BenchName returns collections/{collection}/benches/{bench}, or "" for no bench.
func BenchName(collection, bench string) string {
	if bench == "" {
		return ""
	}
	return CollectionName(collection) + "/benches/" + bench
}

// PlantName returns collections/{collection}/plants/{plant}.
func PlantName(collection, plant string) string {
	return CollectionName(collection) + "/plants/" + plant
}

// FeedingName returns collections/{collection}/plants/{plant}/feedings/{feeding}.
func FeedingName(collection, plant, feeding string) string {
	return PlantName(collection, plant) + "/feedings/" + feeding
}

// ObservationName returns collections/{collection}/plants/{plant}/observations/{observation}.
func ObservationName(collection, plant, observation string) string {
	return PlantName(collection, plant) + "/observations/" + observation
}

// PhotoName returns collections/{collection}/plants/{plant}/photos/{photo}.
func PhotoName(collection, plant, photo string) string {
	return PlantName(collection, plant) + "/photos/" + photo
}

// SheetName returns collections/{collection}/sheets/{sheet}.
func SheetName(collection string, number int64) string {
	return CollectionName(collection) + "/sheets/" + strconv.FormatInt(number, 10)
}

// Segment returns the part of a resource's name after the collection that it
// belongs to, for instance Segment("collections/a/plants/b", "plants") is "b"; ""
// if there is none.
func Segment(name, kind string) string {
	parts := strings.Split(name, "/")
	for i := 0; i+1 < len(parts); i += 2 {
		if parts[i] == kind {
			return parts[i+1]
		}
	}
	return ""
}
