package service

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/photo"
	"dewbench/store"
)

// MaxPhotoBytes is how large the file of a photo may be.
const MaxPhotoBytes = photo.MaxBytes

// photoPiece is how many bytes of a file one answer has: gRPC clients take 4 MiB.
const photoPiece = 1 << 20

// renditionsLate is after how long renditions are asked for again that are not there: their
// job may have been given up, or be lost with the program that ran it.
const renditionsLate = 15 * time.Second

// renditionDelay is when to ask again for a rendition that is being made.
const renditionDelay = time.Second

// mostDecodes is how many pictures are decoded at once: each may take some hundred
// megabytes (see photo.Decode).
const mostDecodes = 2

// renditions are the forms that are made of an original: how wide and high at most, in
// pixels, and what they are called in the bucket, behind the digest of the original.
var renditions = []struct {
	form    pb.Photo_Rendition
	longest int
	suffix  string
}{{pb.Photo_SMALL, 320, "-320.jpg"}, {pb.Photo_LARGE, largeRendition, largeSuffix}}

const (
	largeRendition = 1600
	largeSuffix    = "-1600.jpg"
)

// digestIn returns the digest of the original of a file of the bucket.
func digestIn(name string) string {
	digest, _, _ := strings.Cut(name, "-")
	return digest
}

// renditionJob is the kind of the jobs that make the renditions of a file.
const renditionJob = "renditions"

// badPhoto is the error for what is wrong with a file.
func badPhoto(err error) error {
	var f *photo.Fault
	if errors.As(err, &f) {
		return &Error{Reason: InvalidPhoto, Message: f.Error(), Violations: []Violation{{"data", f.Error()}}}
	}
	return err
}

// decodes are the places for pictures in memory. One grower has one of them at a time, and
// so have the jobs, so that nobody keeps all others waiting.
type decodes struct {
	places *semaphore.Weighted
	mu     sync.Mutex // guards what follows
	of     map[string]*growersDecodes
}

// growersDecodes are those of one grower.
type growersDecodes struct {
	place *semaphore.Weighted
	asked int // that wait, or are under way
}

// mostDecodesOfOne is how many calls of one grower wait for a place, or have one.
const mostDecodesOfOne = 8

func newDecodes() *decodes {
	return &decodes{places: semaphore.NewWeighted(mostDecodes), of: map[string]*growersDecodes{}}
}

// decoding waits for a place. who is a grower by the id, "" the jobs. release gives it back.
func (c *Core) decoding(ctx context.Context, who string) (release func(), err error) {
	d := c.decodes
	d.mu.Lock()
	own := d.of[who]
	if own == nil {
		own = &growersDecodes{place: semaphore.NewWeighted(1)}
		d.of[who] = own
	}
	if who != "" && own.asked >= mostDecodesOfOne {
		d.mu.Unlock()
		return nil, &Error{Reason: TooBusy, Message: fmt.Sprintf("%d calls of the grower with pictures are under way, as many as the server takes at once: call again when one is done", mostDecodesOfOne)}
	}
	own.asked++
	d.mu.Unlock()
	leave := func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		if own.asked--; own.asked == 0 {
			delete(d.of, who)
		}
	}
	if err := own.place.Acquire(ctx, 1); err != nil {
		leave()
		return nil, err
	}
	if err := d.places.Acquire(ctx, 1); err != nil {
		own.place.Release(1)
		leave()
		return nil, err
	}
	return func() {
		d.places.Release(1)
		own.place.Release(1)
		leave()
	}, nil
}

// CreatePhoto keeps a photo. Its file is in the bucket before its row is, so that no row
// names a file that is not there; what a crash leaves in between the sweep removes.
func (s *Photos) CreatePhoto(ctx context.Context, req *pb.CreatePhotoRequest) (*pb.Photo, error) {
	sent, err := sentWith(ctx, "data", "a picture, JPEG, PNG or WebP", req.GetData())
	if err != nil {
		return nil, err
	}
	if sent.Size > MaxPhotoBytes {
		return nil, badPhoto(&photo.Fault{Message: fmt.Sprintf("the file is larger than %d bytes", MaxPhotoBytes)})
	}
	digest := hex.EncodeToString(sent.Digest)
	head, err := photo.Judge(sent.reader())
	if err != nil {
		return nil, badPhoto(err)
	}
	// First who may, and what else is asked: a picture costs much to decode.
	known := false
	if err := s.read(ctx, func(v *visit) error {
		c, plant, err := v.plantToShow(req)
		if err != nil {
			return err
		}
		if _, err = v.newPhoto(c, plant, req, head, nil); err != nil {
			return err
		}
		same, err := c.SamePhoto(plant, digest)
		if err == nil && v.purged(same) {
			err = store.ErrNotFound
		}
		if known = err == nil; known || !errors.Is(err, store.ErrNotFound) {
			return err
		}
		return v.checkPhotoRoom(c, plant)
	}); err != nil {
		return nil, err
	}
	var facts photo.Facts
	if !known {
		if facts, err = s.judgePhoto(ctx, sent, head); err != nil {
			return nil, err
		}
	}
	if !req.GetValidateOnly() {
		if err := s.putPhoto(ctx, req, sent, digest); err != nil {
			return nil, err
		}
	}
	// The id of a request is bound to what the file holds, not to how it was sent.
	asked := proto.CloneOf(withoutData(req))
	asked.Data = sent.Digest
	return writeOne(ctx, s.Core, asked, func(v *visit) (*pb.Photo, error) {
		c, plant, err := v.plantToShow(req)
		if err != nil {
			return nil, err
		}
		same, err := c.SamePhoto(plant, digest)
		if err == nil && v.purged(same) && !known { // the sweep has not come to it yet
			if _, err = c.PurgePhoto(plant, store.Segment(same.GetName(), "photos"), v.at.UnixMicro()); err == nil {
				err = store.ErrNotFound
			}
		}
		switch {
		case err == nil:
			return s.again(v, c, plant, req, same)
		case !errors.Is(err, store.ErrNotFound):
			return nil, err
		case known: // it was purged meanwhile
			return nil, &Error{Reason: WriteConflict, Message: "another call changed the same at the same time: call again"}
		}
		if err := v.checkPhotoRoom(c, plant); err != nil {
			return nil, err
		}
		p, err := v.newPhoto(c, plant, req, head, &facts)
		if err != nil {
			return nil, err
		}
		p.Sha256, p.SizeBytes = digest, int32(sent.Size)
		if p, err = c.CreatePhoto(p, v.by()); err != nil {
			return nil, err
		}
		if err := v.tx.Enqueue(store.Job{Kind: renditionJob, Collection: c.ID(), Args: digest}); err != nil {
			return nil, err
		}
		return c.showPhoto(p)
	}, getPhoto)
}

// plantToShow finds the plant of a new photo. One that is deleted has to be undeleted first.
func (v *visit) plantToShow(req *pb.CreatePhotoRequest) (*collection, string, error) {
	c, plant, err := v.plantOf(req.GetParent(), req.GetTag())
	if err != nil {
		return nil, "", err
	}
	p, err := c.Plant(plant)
	switch {
	case err == nil && v.purged(p):
		err = store.ErrNotFound
	case err == nil && p.GetDeleteTime() != nil:
		return nil, "", deleted(p.GetName())
	}
	return c, plant, missing(err, PlantNotFound, store.PlantName(c.ID(), plant))
}

// withoutData is a request without its picture, which is large.
func withoutData(req *pb.CreatePhotoRequest) *pb.CreatePhotoRequest {
	out := &pb.CreatePhotoRequest{}
	req.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.Name() != "data" {
			out.ProtoReflect().Set(f, v)
		}
		return true
	})
	return out
}

// missingIsNone takes that something is not there for no error.
func missingIsNone(err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	return err
}

// judgePhoto reads a file to its end, and tells what it says beside its pixels.
func (s *Photos) judgePhoto(ctx context.Context, sent *SentFile, head photo.Head) (photo.Facts, error) {
	release, err := s.decoding(ctx, callerID(ctx))
	if err != nil {
		return photo.Facts{}, err
	}
	defer release()
	if _, err := photo.Decode(sent.reader(), head); err != nil {
		return photo.Facts{}, badPhoto(err)
	}
	if err := ctx.Err(); err != nil {
		return photo.Facts{}, err
	}
	facts, err := photo.Inspect(sent.reader(), head)
	if err != nil {
		return photo.Facts{}, badPhoto(err)
	}
	return facts, nil
}

// putPhoto puts a file into the bucket.
func (s *Photos) putPhoto(ctx context.Context, req *pb.CreatePhotoRequest, sent *SentFile, digest string) error {
	bucket := s.blobs.Of(store.Segment(req.GetParent(), "collections"))
	return fromStore(bucket.Put(ctx, digest, sent.reader(), sent.Size))
}

// again answers a photo whose plant has one of the same bytes: it is that one.
func (s *Photos) again(v *visit, c *collection, plant string, req *pb.CreatePhotoRequest, same *store.Photo) (*pb.Photo, error) {
	id := store.Segment(same.GetName(), "photos")
	if req.GetPhotoId() != "" && req.GetPhotoId() != id {
		return nil, Invalid(PhotoExists, []Violation{{"photoId", fmt.Sprintf("the plant has the same picture already, as %s", same.GetName())}})
	}
	if same.GetDeleteTime() != nil {
		var err error
		if same, err = c.UndeletePhoto(plant, id, v.by(), func(*store.Photo) error { return nil }); err != nil {
			return nil, err
		}
	}
	if !same.GetRenditionsReady() { // they may have been given up: a job that waits is not added again
		if err := v.tx.Enqueue(store.Job{Kind: renditionJob, Collection: c.ID(), Args: same.GetSha256()}); err != nil {
			return nil, err
		}
	}
	return c.showPhoto(same)
}

// lies tells whether a file with an orientation lies on its side (CIPA DC-008, tag 0x0112).
func lies(orientation int32) bool { return orientation >= 5 }

// newPhoto returns a photo to be kept, as far as the request and its file tell. Without
// facts it only checks.
func (v *visit) newPhoto(c *collection, plant string, req *pb.CreatePhotoRequest, head photo.Head, facts *photo.Facts) (*store.Photo, error) {
	id := v.idOr(req.GetPhotoId())
	if req.GetPhotoId() != "" {
		switch before, err := c.Photo(plant, id); {
		case err == nil && facts != nil:
			return nil, Invalid(PhotoExists, []Violation{{"photoId", v.taken(before)}})
		case missingIsNone(err) != nil:
			return nil, err
		}
	}
	r := v.photoReader(c)
	p := &store.Photo{Format: int32(head.Kind), Photo: &pb.Photo{
		Name: store.PhotoName(c.ID(), plant, id), Note: req.GetNote(), TakenTime: req.GetTakenTime(), TakenDate: req.TakenDate,
		Credit: checkCredit(&r.problems, "credit", req.GetCredit()), License: checkLicense(&r.problems, "license", req.GetLicense()),
		WidthPx: int32(head.Width), HeightPx: int32(head.Height),
	}}
	if facts != nil {
		p.Orientation = int32(facts.Orientation)
		if lies(p.Orientation) {
			p.WidthPx, p.HeightPx = p.HeightPx, p.WidthPx
		}
		p.CameraUs, p.CameraSource = v.cameraTime(c, facts.Taken)
		if req.Credit == nil {
			p.Credit = facts.Credit
		}
		if req.License == nil {
			p.License = licenseOf(facts.License)
		}
	}
	v.readTaken(r, c, "", p)
	return p, r.err()
}

// MakeRenditions makes the renditions of a file, as its job asks.
func (s *Photos) MakeRenditions(ctx context.Context, job store.Job) error {
	digest := job.Args
	var of *store.Photo
	find := func(tx *store.Tx) error {
		c, err := tx.Collection(job.Collection, "", anybody)
		if err == nil {
			of, err = c.FileOf(digest)
		}
		return err
	}
	if err := s.store.Read(ctx, find); err != nil {
		return missingIsNone(err) // it was purged: there is nothing to make
	}
	release, err := s.decoding(ctx, "")
	if err != nil {
		return err
	}
	defer release()
	bucket := s.blobs.Of(job.Collection)
	stored, err := s.picture(ctx, bucket, of.GetSha256())
	if err != nil {
		return err
	}
	img := photo.Upright(photo.Fit(stored, largeRendition), int(of.Orientation)) // of a small one a copy costs little
	for i := len(renditions) - 1; i >= 0; i-- {                                  // the smaller is made of the larger
		r := renditions[i]
		img = photo.Fit(img, r.longest)
		var file bytes.Buffer
		if err := photo.Rendition(&file, img); err != nil {
			return fmt.Errorf("make a rendition: %w", err)
		}
		if err := bucket.Put(ctx, digest+r.suffix, &file, int64(file.Len())); err != nil {
			return fmt.Errorf("keep a rendition: %w", err)
		}
	}
	return s.store.Write(ctx, func(tx *store.Tx) error {
		c, err := tx.Collection(job.Collection, "", anybody)
		if err != nil {
			return missingIsNone(err)
		}
		return c.Rendered(digest, s.now().UnixMicro())
	})
}

// renderAgain has the renditions of a file made that were there before.
func (s *Photos) renderAgain(ctx context.Context, inside, digest string) error {
	return fromStore(s.store.Write(ctx, func(tx *store.Tx) error {
		c, err := tx.Collection(inside, "", anybody)
		if err != nil {
			return missingIsNone(err)
		}
		if err := c.Unrendered(digest); err != nil {
			return err
		}
		return tx.Enqueue(store.Job{Kind: renditionJob, Collection: inside, Args: digest})
	}))
}

// picture decodes a file of the bucket, as it is stored. The caller holds a place for it.
func (s *Photos) picture(ctx context.Context, bucket *store.CollectionBlobs, name string) (image.Image, error) {
	broken := func(err error) error { return fmt.Errorf("file %s of a photo: %w", name, err) }
	file, _, err := bucket.Open(ctx, name, 0, -1)
	if err != nil {
		return nil, broken(err)
	}
	whole, err := io.ReadAll(io.LimitReader(file, MaxPhotoBytes+1)) // the codecs go back and forth in it
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, broken(err)
	}
	head, err := photo.Judge(bytes.NewReader(whole))
	if err != nil {
		return nil, broken(err)
	}
	img, err := photo.Decode(bytes.NewReader(whole), head)
	if err != nil {
		return nil, broken(err)
	}
	return img, ctx.Err() // decoding cannot be broken off
}

// photoContent is a file that is given out: a part of it that is made for each answer, and
// a blob around it.
type photoContent struct {
	blob   string
	insert []byte // behind the first bytes of the blob, photo.StampOffset
}

// contentOf tells what is given out as a form of a photo.
func contentOf(p *store.Photo, form pb.Photo_Rendition) photoContent {
	for _, r := range renditions {
		if r.form == form {
			return photoContent{p.GetSha256() + r.suffix, photo.Stamp(p.GetCredit(), licenseURL(p.GetLicense()), p.GetLicense())}
		}
	}
	return photoContent{blob: p.GetSha256()}
}

// etag tells contents apart.
func (f photoContent) etag() string {
	if len(f.insert) == 0 {
		return strconv.Quote(f.blob)
	}
	return fmt.Sprintf("\"%s-%08x\"", f.blob, crc32.ChecksumIEEE(f.insert))
}

// read returns up to most bytes from an offset on, and the size of all.
func (f photoContent) read(ctx context.Context, bucket *store.CollectionBlobs, offset, most int64) (data []byte, size int64, err error) {
	const soi = photo.StampOffset
	insert := int64(len(f.insert))
	from := offset
	switch {
	case insert > 0 && offset >= soi+insert:
		from = offset - insert
	case insert > 0 && offset > soi:
		from = soi
	}
	file, whole, err := bucket.Open(ctx, f.blob, from, most)
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	size = whole + insert
	var parts []io.Reader
	switch {
	case insert == 0 || offset >= soi+insert:
		parts = []io.Reader{file}
	case offset > soi:
		parts = []io.Reader{bytes.NewReader(f.insert[offset-soi:]), file}
	default:
		parts = []io.Reader{io.LimitReader(file, soi-offset), bytes.NewReader(f.insert), file}
	}
	data, err = io.ReadAll(io.LimitReader(io.MultiReader(parts...), most))
	return data, size, err
}

// GetPhotoContent gives out a piece of a file.
func (s *Photos) GetPhotoContent(ctx context.Context, req *pb.GetPhotoContentRequest) (*pb.GetPhotoContentResponse, error) {
	form := req.GetRendition()
	if form == pb.Photo_RENDITION_UNSPECIFIED {
		form = pb.Photo_LARGE
	}
	var (
		p      *store.Photo
		inside string
	)
	err := s.read(ctx, func(v *visit) error {
		c, _, found, err := v.findPhoto(req.GetName(), req.GetTag())
		if err != nil {
			return err
		}
		p, inside = found, c.ID()
		switch {
		case form == pb.Photo_ORIGINAL:
			return refuses(Manager, c.is, PhotoNotFound, store.CollectionName(c.ID()))
		case p.GetDeleteTime() != nil: // who can bring it back may look at it
			return refuses(Keeper, c.is, PhotoNotFound, store.CollectionName(c.ID()))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	notReady := &Error{Reason: RenditionNotReady, Message: fmt.Sprintf("the renditions of %s are being made: ask again in a second", p.GetName()), RetryAfter: renditionDelay}
	if form != pb.Photo_ORIGINAL && !p.GetRenditionsReady() {
		if s.now().Sub(p.GetUpdateTime().AsTime()) > renditionsLate {
			if err := s.renderAgain(ctx, inside, p.GetSha256()); err != nil {
				return nil, err
			}
		}
		return nil, notReady
	}
	content := contentOf(p, form)
	data, size, err := content.read(ctx, s.blobs.Of(inside), int64(req.GetOffset()), photoPiece)
	if form != pb.Photo_ORIGINAL && errors.Is(err, store.ErrNotFound) { // the bucket lost it: it is made again
		if err := s.renderAgain(ctx, inside, p.GetSha256()); err != nil {
			return nil, err
		}
		return nil, notReady
	}
	if err != nil {
		return nil, fromStore(fmt.Errorf("file of %s: %w", p.GetName(), err))
	}
	if int64(req.GetOffset()) > size {
		return nil, Invalid(InvalidFields, []Violation{{"offset", fmt.Sprintf("must be 0 to the size of the file, %d", size)}})
	}
	answer := &pb.GetPhotoContentResponse{
		ContentType: photo.JPEG.MediaType(), SizeBytes: int32(size), Etag: content.etag(), UpdateTime: p.GetUpdateTime(), Data: data,
	}
	if form == pb.Photo_ORIGINAL {
		answer.ContentType, answer.UpdateTime = photo.Kind(p.Format).MediaType(), p.GetCreateTime()
	}
	return answer, nil
}
