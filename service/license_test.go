package service

import (
	"strings"
	"testing"

	"github.com/github/go-spdx/v2/spdxexp/spdxlicenses"
)

// All Creative Commons licences of the SPDX licence list, as go-spdx has it, are taken, and
// found again by the addresses of their deeds.
func TestLicenses(t *testing.T) {
	found := 0
	for _, id := range spdxlicenses.GetLicenses() {
		var p problems
		got := checkLicense(&p, "license", strings.ToLower(id))
		if !strings.HasPrefix(id, "CC-") && !strings.HasPrefix(id, "CC0") {
			if p.err() == nil {
				t.Errorf("%s is taken", id)
			}
			continue
		}
		found++
		if err := p.err(); err != nil || got != id {
			t.Errorf("%s: %q, %v", id, got, err)
		}
		if back := licenseOf(licenseURL(id)); back != id {
			t.Errorf("%s has its deed at %s, which is that of %q", id, licenseURL(id), back)
		}
	}
	if found < 50 {
		t.Errorf("only %d licences of Creative Commons", found)
	}
}

// The addresses stand in the SPDX licence list, version 3.27, as cross references of the
// licences, with or without the name of a page behind them.
func TestDeeds(t *testing.T) {
	for id, url := range map[string]string{
		"CC-BY-4.0":        "https://creativecommons.org/licenses/by/4.0/",
		"CC-BY-NC-SA-4.0":  "https://creativecommons.org/licenses/by-nc-sa/4.0/",
		"CC-BY-SA-3.0-DE":  "https://creativecommons.org/licenses/by-sa/3.0/de/",
		"CC-BY-NC-3.0-IGO": "https://creativecommons.org/licenses/by-nc/3.0/igo/",
		"CC-BY-NC-ND-1.0":  "https://creativecommons.org/licenses/by-nd-nc/1.0/",
		"CC-BY-NC-ND-2.0":  "https://creativecommons.org/licenses/by-nc-nd/2.0/",
		"CC-BY-NC-ND-4.0":  "https://creativecommons.org/licenses/by-nc-nd/4.0/",
		"CC0-1.0":          "https://creativecommons.org/publicdomain/zero/1.0/",
	} {
		if got := licenseURL(id); got != url {
			t.Errorf("%s: %s, want %s", id, got, url)
		}
	}
	for url, id := range map[string]string{
		"http://creativecommons.org/licenses/by/4.0/":              "CC-BY-4.0",
		"https://www.creativecommons.org/licenses/by/4.0/deed.de":  "CC-BY-4.0",
		"https://creativecommons.org/licenses/by/4.0/legalcode.en": "CC-BY-4.0",
		"https://creativecommons.org/licenses/by/4.7/":             "",

		"http://creativecommons.org/licenses/by-nd-nc/1.0/legalcode":        "CC-BY-NC-ND-1.0",
		"https://creativecommons.org/licenses/by-nd-nc/2.0/":                "",
		"https://creativecommons.org/licenses/by/4.0/?ref=chooser-v1":       "CC-BY-4.0",
		"https://creativecommons.org/licenses/by/4.0?ref=chooser-v1":        "CC-BY-4.0",
		"https://creativecommons.org/licenses/by/4.0/deed.de#ref":           "CC-BY-4.0",
		"https://creativecommons.org/publicdomain/zero/1.0/?ref=a/b#c":      "CC0-1.0",
		"https://example.org/?https://creativecommons.org/licenses/by/4.0/": "",
		"https://example.org/#://creativecommons.org/licenses/by/4.0/":      "",
		"https://creativecommons.org/?at=licenses/by/4.0/":                  "",
		"https://example.org/licenses/by/4.0/":                              "",
		"creativecommons.org/licenses/by/4.0/":                              "",
		"":                                                                  "",
	} {
		if got := licenseOf(url); got != id {
			t.Errorf("%q: %q, want %q", url, got, id)
		}
	}
}
