package photo

import (
	"encoding/binary"
	"encoding/xml"
	"strings"
)

// StampOffset is where a stamp goes in a rendition: behind SOI.
const StampOffset = 2

// Stamp returns the segment of a JPEG file that says whom to name and under which licence
// the picture is: an APP1 with XMP (ISO 16684-1, and -3 for JPEG), or nil if there is
// nothing to say. The credit and the licence are those of the IPTC Photo Metadata Standard
// and of Creative Commons (ccREL). There is no IIM beside it, as that ends a credit at 32
// bytes. Text is cut as in Facts, so it is never more than a segment.
func Stamp(credit, licenseURL, licenseName string) []byte {
	credit, licenseName = Legible(credit, MaxCredit), Legible(licenseName, MaxCredit)
	licenseURL = Legible(licenseURL, 1000)
	if credit == "" && licenseURL == "" && licenseName == "" {
		return nil
	}
	var s strings.Builder
	s.WriteString("<?xpacket begin=\"\ufeff\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n" +
		`<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">` +
		`<rdf:Description rdf:about="" xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/"` +
		` xmlns:xmpRights="http://ns.adobe.com/xap/1.0/rights/" xmlns:cc="http://creativecommons.org/ns#">` + "\n")
	element := func(before, text, after string) {
		if text != "" {
			s.WriteString(before)
			_ = xml.EscapeText(&s, []byte(text)) // a strings.Builder never fails
			s.WriteString(after + "\n")
		}
	}
	element("<photoshop:Credit>", credit, "</photoshop:Credit>")
	element(`<xmpRights:UsageTerms><rdf:Alt><rdf:li xml:lang="x-default">`, licenseName, "</rdf:li></rdf:Alt></xmpRights:UsageTerms>")
	element("<xmpRights:WebStatement>", licenseURL, "</xmpRights:WebStatement>")
	element(`<cc:license rdf:resource="`, licenseURL, `"/>`)
	s.WriteString("</rdf:Description></rdf:RDF></x:xmpmeta>\n<?xpacket end=\"r\"?>")

	segment := []byte{0xff, app1}
	segment = binary.BigEndian.AppendUint16(segment, uint16(2+len(xmpMark)+s.Len()))
	segment = append(segment, xmpMark...)
	return append(segment, s.String()...)
}
