package service

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/archive"
	"dewbench/service/photo"
	"dewbench/store"
)

// archivedPicture is the file of a photo, as the first record says that names it.
type archivedPicture struct {
	head photo.Head
	line int // of the record
}

// photosIn are the photos of a collection of an archive. There may be none: older archives
// have no files of them, and newer ones where nobody asked for them.
type photosIn struct {
	in      *archiveIn
	one     *archivedIn
	records *stream[*pb.ArchivedPhoto]    // nil: there are no photos
	changes *stream[*pb.ArchivedRevision] // nil with them
}

const archivedPhotoHistory = "photo_revisions.jsonl"

func openPhotos(in *archiveIn, one *archivedIn) *photosIn {
	one.photos = map[string]*archivedPicture{}
	s := &photosIn{in: in, one: one}
	if in.from.Has(one.path(archivedPhotos)) || in.from.Has(one.path(archivedPhotoHistory)) {
		s.records = open(in, one, archivedPhotos, archive.MaxLine, func() *pb.ArchivedPhoto { return &pb.ArchivedPhoto{} })
		s.changes = openRevisions(in, one, archivedPhotoHistory, archive.MaxLine)
	}
	return s
}

func (s *photosIn) close() {
	if s.records != nil {
		s.records.close()
		s.changes.close()
	}
}

func (s *photosIn) unused() error {
	if s.records == nil {
		return nil
	}
	return errors.Join(unused(s.records, "a plant"), unused(s.changes, "a photo"))
}

// of reads the photos of a plant, and tells how much of the room for text is left.
func (s *photosIn) of(p *archivedPlantIn, room int) (left int, err error) {
	if s.records == nil {
		return room, nil
	}
	lines, living := s.records.lines, 0
	digests := map[string]bool{}
	for last := ""; ; {
		m, ok, err := s.records.peek()
		if err != nil {
			return 0, err
		}
		name := m.GetPhoto().GetName()
		id := store.Segment(name, "photos")
		if !ok || name != store.PhotoName(s.one.to, p.ID, id) {
			return room, nil
		}
		s.records.take()
		if err := checkArchived(name, s.one, id, &last, lines, "collections", "plants", "photos"); err != nil {
			return 0, err
		}
		of, err := s.judge(p, m)
		if err != nil {
			return 0, err
		}
		if digests[of.GetSha256()] {
			return 0, lines.Fault("photo.sha256: is that of another photo of the plant already")
		}
		digests[of.GetSha256()] = true
		if of.GetDeleteTime() == nil {
			living++
		}
		if living > mostPhotos {
			return 0, lines.Fault("is one of more than %d photos of one plant", mostPhotos)
		}
		if room -= s.records.bytes; room < 0 {
			return 0, lines.Fault("the records of one plant are longer than %d bytes", mostPlantBytes)
		}
		var some []store.Revised
		if some, room, err = s.in.revisions(s.changes, store.PhotoKind, p.ID, id, name, of.GetEtag(), room, lines); err != nil {
			return 0, err
		}
		p.photos, p.revisions = append(p.photos, of), append(p.revisions, some...)
		s.in.tell(s.one, func(i *pb.ImportArchiveResponse_Imported) { i.Photos++ })
	}
}

// takenAhead is how far a photo may be dated ahead: to the end of the day after today, where
// its collection is.
const takenAhead = 3*24*time.Hour + clockAhead

// judge judges the record of a photo, and returns it as it is kept.
func (s *photosIn) judge(p *archivedPlantIn, m *pb.ArchivedPhoto) (*store.Photo, error) {
	lines, of := s.records.lines, m.GetPhoto()
	if rule := s.in.checkLife(of); rule != "" {
		return nil, lines.Fault("photo.%s", rule)
	}
	kind := kindOf(of.GetContentType())
	file := archive.PhotoFile(s.one.id, of.GetSha256())
	_, isDigest := archive.PhotoOf(file)
	told := m.GetCameraTime() != nil
	switch {
	case of.GetPlant() != p.GetName():
		return nil, lines.Fault("photo.plant: must be that of the name")
	case !s.in.goodTime(of.GetTakenTime(), takenAhead):
		return nil, lines.Fault("photo.takenTime: must lie from 1900 to tomorrow")
	case of.GetTakenSource() < pb.Photo_CAMERA_WITH_OFFSET || of.GetTakenSource() > pb.Photo_SENT:
		return nil, lines.Fault("photo.takenSource: must be given")
	case told && !s.in.goodTime(m.GetCameraTime(), takenAhead):
		return nil, lines.Fault("cameraTime: must lie from 1900 to tomorrow")
	case told != (m.GetCameraSource() != pb.Photo_TIME_SOURCE_UNSPECIFIED):
		return nil, lines.Fault("cameraSource: goes with cameraTime")
	case kind == 0:
		return nil, lines.Fault("photo.contentType: must be %s, %s or %s", photo.JPEG.MediaType(), photo.PNG.MediaType(), photo.WebP.MediaType())
	case !isDigest:
		return nil, lines.Fault("photo.sha256: must be 64 of 0-9 a-f")
	case !s.in.from.Has(file):
		return nil, lines.Fault("photo.sha256: its file %s is not there", file)
	case int64(of.GetSizeBytes()) != s.in.from.Size(file):
		return nil, lines.Fault("photo.sizeBytes: the file has %d bytes", s.in.from.Size(file))
	case of.GetSizeBytes() > MaxPhotoBytes:
		return nil, lines.Fault("photo.sizeBytes: must be %d at most", MaxPhotoBytes)
	}
	if rule := s.note(of, kind, m.GetOrientation()); rule != "" {
		return nil, lines.Fault("%s", rule)
	}
	out := &store.Photo{Photo: of, Format: int32(kind), Orientation: m.GetOrientation()}
	if told {
		us := store.Micros(m.GetCameraTime())
		out.CameraUs, out.CameraSource = &us, m.GetCameraSource()
	}
	of.TakenDate = nil // the instant tells it
	var wrong problems
	credit, license := of.GetCredit(), of.GetLicense()
	of.Credit, of.License = checkCredit(&wrong, "photo.credit", credit), checkLicense(&wrong, "photo.license", license)
	checkSpans(&wrong, of)
	if wrong.refused > 0 {
		return nil, lines.Fault("%s: %s", wrong.violations[0].Field, wrong.violations[0].Rule)
	}
	return out, nil
}

// note keeps what a record says of its file, which is compared with the file later, and
// tells if another one says otherwise.
func (s *photosIn) note(of *pb.Photo, kind photo.Kind, orientation int32) (rule string) {
	head := photo.Head{Kind: kind, Width: int(of.GetWidthPx()), Height: int(of.GetHeightPx())}
	if lies(orientation) {
		head.Width, head.Height = head.Height, head.Width
	}
	before := s.one.photos[of.GetSha256()]
	if before == nil {
		s.one.photos[of.GetSha256()] = &archivedPicture{head, s.records.lines.Line()}
	} else if before.head != head {
		return fmt.Sprintf("photo: says otherwise of its file than line %d", before.line)
	}
	return ""
}

// kindOf returns the kind of a media type, or 0.
func kindOf(mediaType string) photo.Kind {
	for _, kind := range []photo.Kind{photo.JPEG, photo.PNG, photo.WebP} {
		if kind.MediaType() == mediaType {
			return kind
		}
	}
	return 0
}

// checkLink tells what is wrong with the name of the photo on which an observation was
// measured. The photo may be gone, and be of another plant: the observation may have been
// moved from there.
func checkLink(one *archivedIn, name string) string {
	if name != "" && (!shape(name, "collections", "plants", "photos") || store.Segment(name, "collections") != one.to) {
		return fmt.Sprintf("must be the name of a photo of collections/%s", one.id)
	}
	return ""
}

// unusedPictures refuses files that no record names.
func (in *archiveIn) unusedPictures(paths []string) error {
	named := map[string]bool{}
	for _, one := range in.all {
		for digest := range one.photos {
			named[archive.PhotoFile(one.id, digest)] = true
		}
	}
	for _, path := range paths {
		if !named[path] {
			return &archive.Fault{File: path, Rule: "is the file of no photo of its collection"}
		}
	}
	return nil
}

// pictures judges the files of the photos of a collection, one after another in the order of
// their digests, which does not change.
func (in *archiveIn) pictures(one *archivedIn) error {
	for _, digest := range slices.Sorted(maps.Keys(one.photos)) {
		if err := in.picture(archive.PhotoFile(one.id, digest), one.photos[digest]); err != nil {
			return err
		}
	}
	return nil
}

// picture judges a file as one that is sent: all of it must be a picture that is taken.
func (in *archiveIn) picture(path string, want *archivedPicture) error {
	release, err := in.decoding(in.ctx, callerID(in.ctx))
	if err != nil {
		return err
	}
	defer release()
	file, err := in.from.Photo(path)
	if err != nil {
		return err
	}
	whole, err := io.ReadAll(file) // the codecs go back and forth in it
	if err = errors.Join(err, file.Close()); err != nil {
		return err
	}
	head, err := photo.Judge(bytes.NewReader(whole))
	if err == nil && head != want.head {
		return &archive.Fault{File: path, Rule: fmt.Sprintf("is a %s of %d x %d pixels, and by %s line %d a %s of %d x %d",
			head.Kind, head.Width, head.Height, archivedPhotos, want.line, want.head.Kind, want.head.Width, want.head.Height)}
	}
	if err == nil {
		_, err = photo.Decode(bytes.NewReader(whole), head)
	}
	var wrong *photo.Fault
	if errors.As(err, &wrong) {
		return &archive.Fault{File: path, Rule: "is not taken: " + wrong.Error()}
	}
	if err != nil {
		return err
	}
	return in.ctx.Err() // decoding cannot be broken off
}
