package photo

import (
	"encoding/binary"
	"encoding/xml"
	"errors"
	"io"
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
	credit, licenseName = legible(credit, MaxCredit), legible(licenseName, MaxCredit)
	licenseURL = legible(licenseURL, 1000)
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

// Stamped is a rendition with its stamp, as one file that can be read from anywhere. It
// reads the rendition as it goes, and copies nothing.
type Stamped struct {
	from  io.ReadSeeker
	stamp []byte
	size  int64 // of all
	at    int64
	ahead int64 // where the rendition stands, -1 if that is not known
}

// NewStamped returns a rendition of a size in bytes with a stamp, which may be nil.
func NewStamped(rendition io.ReadSeeker, size int64, stamp []byte) (*Stamped, error) {
	if size < StampOffset {
		return nil, errors.New("a rendition has no beginning")
	}
	return &Stamped{from: rendition, stamp: stamp, size: size + int64(len(stamp)), ahead: -1}, nil
}

// Size returns the size of the whole in bytes.
func (s *Stamped) Size() int64 { return s.size }

// Read reads on.
func (s *Stamped) Read(p []byte) (int, error) {
	stampEnd := StampOffset + int64(len(s.stamp))
	switch {
	case s.at >= s.size:
		return 0, io.EOF
	case len(p) == 0:
		return 0, nil
	case s.at >= StampOffset && s.at < stampEnd:
		n := copy(p, s.stamp[s.at-StampOffset:])
		s.at += int64(n)
		return n, nil
	case s.at < StampOffset:
		p = p[:min(int64(len(p)), StampOffset-s.at)]
	}
	within := s.at
	if within >= stampEnd {
		within -= int64(len(s.stamp))
	}
	// Readers of stored files ask anew for what lies elsewhere.
	if s.ahead != within {
		s.ahead = -1
		if _, err := s.from.Seek(within, io.SeekStart); err != nil {
			return 0, err
		}
	}
	n, err := s.from.Read(p)
	s.at += int64(n)
	s.ahead = within + int64(n)
	if errors.Is(err, io.EOF) {
		if err = nil; n == 0 {
			err = io.ErrUnexpectedEOF // the rendition is smaller than was said
		}
	}
	return n, err
}

// Seek sets where Read goes on.
func (s *Stamped) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += s.at
	case io.SeekEnd:
		offset += s.size
	}
	if offset < 0 {
		return 0, errors.New("a position before the beginning")
	}
	s.at = offset
	return offset, nil
}
