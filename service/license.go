package service

import (
	"strings"

	"github.com/github/go-spdx/v2/spdxexp"
)

// Licences of photos are those of Creative Commons, by their SPDX identifiers. Each has a
// deed on the web, by whose address files name it.

// deeds is where all deeds are, without the scheme: it is http in old files.
const deeds = "creativecommons.org/"

// fixedDeeds are the deeds of what is no licence of parts, or has them in another order (SPDX
// licence list, version 3.27, cross references).
var fixedDeeds = map[string]string{
	"CC0-1.0":    "publicdomain/zero/1.0/",
	"CC-PDM-1.0": "publicdomain/mark/1.0/",
	"CC-PDDC":    "licenses/publicdomain/",

	"CC-BY-NC-ND-1.0": "licenses/by-nd-nc/1.0/", // later ones have the parts as SPDX has them
}

// checkLicense returns an identifier as SPDX writes it, and refuses those of others than
// Creative Commons.
func checkLicense(p *problems, field, id string) string {
	if id = strings.TrimSpace(id); id == "" {
		return ""
	}
	known, canonical := spdxexp.ActiveLicense(id)
	if !known || !strings.HasPrefix(canonical, "CC") || licenseURL(canonical) == "" {
		p.refuse(InvalidFields, field, "%q is not the SPDX identifier of a Creative Commons licence, such as CC-BY-4.0, CC-BY-NC-SA-4.0 or CC0-1.0; leave it empty to reserve all rights", short(id))
	}
	return canonical
}

// licenseURL returns the address of the deed of a licence, or "". Identifiers have the
// parts, the version and perhaps a country, CC-BY-NC-3.0-DE; addresses likewise, in small
// letters: https://creativecommons.org/licenses/by-nc/3.0/de/.
func licenseURL(id string) string {
	if deed, ok := fixedDeeds[id]; ok {
		return "https://" + deeds + deed
	}
	rest, ok := strings.CutPrefix(id, "CC-")
	digit := strings.IndexAny(rest, "0123456789")
	if !ok || digit < 1 {
		return ""
	}
	version, country, _ := strings.Cut(rest[digit:], "-")
	deed := "licenses/" + strings.TrimSuffix(rest[:digit], "-") + "/" + version + "/"
	if country != "" {
		deed += country + "/"
	}
	return "https://" + deeds + strings.ToLower(deed)
}

// licenseOf returns the licence with a deed at an address, as files name it; "" if there is
// none that is known. A query or a fragment says nothing of which it is.
func licenseOf(url string) string {
	if at := strings.IndexAny(url, "?#"); at >= 0 {
		url = url[:at]
	}
	_, rest, ok := strings.Cut(url, "://")
	rest, found := strings.CutPrefix(strings.TrimPrefix(strings.ToLower(rest), "www."), deeds)
	if !ok || !found {
		return ""
	}
	parts := strings.Split(strings.Trim(rest, "/"), "/")
	for len(parts) > 2 && (strings.HasPrefix(parts[len(parts)-1], "deed") || strings.HasPrefix(parts[len(parts)-1], "legalcode")) {
		parts = parts[:len(parts)-1]
	}
	deed := strings.Join(parts, "/") + "/"
	for id, of := range fixedDeeds {
		if of == deed {
			return id
		}
	}
	if len(parts) < 3 || len(parts) > 4 || parts[0] != "licenses" {
		return ""
	}
	known, id := spdxexp.ActiveLicense("CC-" + strings.Join(parts[1:], "-"))
	if !known {
		return ""
	}
	return id
}
