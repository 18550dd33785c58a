package store_test

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// resource is one of those that have a history: what they have in common is tested
// here, for all of them.
type resource struct {
	kind  store.Kind
	plant string // of a feeding, observation or photo
	// table and where find the row of an id in c1, or the collection of the id.
	table, where string

	fresh func() proto.Message
	// free sets what drawInto leaves.
	free func(t *rapid.T, id string, m proto.Message)
	// complete sets what the store tells of a new one.
	complete func(id string, m proto.Message)
	create   func(tx *store.Tx, id string, m proto.Message, by store.By) (proto.Message, error)
	get      func(tx *store.Tx, id string) (proto.Message, error)
	update   func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error)
	remove   func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error)
	restore  func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error)
}

type change = func(proto.Message) error

const purgeAfter = 30 * day

// as makes a change one of a message of a certain type.
func as[M proto.Message](f change) func(M) error { return func(m M) error { return f(m) } }

// ofPlant makes a change one of a plant.
func ofPlant(f change) func(*store.Plant) error {
	return func(p *store.Plant) error { return f(p.Plant) }
}

// ofPhoto makes a change one of a photo.
func ofPhoto(f change) func(*store.Photo) error {
	return func(p *store.Photo) error { return f(p.Photo) }
}

// photoOf is the message of a photo.
func photoOf(p *store.Photo, err error) (*pb.Photo, error) {
	if err != nil {
		return nil, err
	}
	return p.Photo, nil
}

// inC1 runs f in c1 and hides the type of what it returns.
func inC1[M proto.Message](tx *store.Tx, f func(c *store.Collection) (M, error)) (proto.Message, error) {
	return inside(tx, "c1", f)
}

func inside[M proto.Message](tx *store.Tx, id string, f func(c *store.Collection) (M, error)) (proto.Message, error) {
	c, err := tx.Collection(id, "", anyone)
	if err != nil {
		return nil, err
	}
	m, err := f(c)
	if err != nil {
		return nil, err
	}
	return m, nil
}

// message is the message of a plant.
func message(p *store.Plant, err error) (*pb.Plant, error) {
	if err != nil {
		return nil, err
	}
	return p.Plant, nil
}

// somewhere is bench b1, bench b2 or none.
func somewhere(t *rapid.T) string {
	return rapid.SampledFrom([]string{"", store.BenchName("c1", "b1"), store.BenchName("c1", "b2")}).Draw(t, "bench")
}

// resources need benches b1 and b2 and a plant p0.
var resources = map[string]*resource{
	"collection": {
		kind: store.CollectionKind, table: "collections", where: "collection_id = ?",
		fresh: func() proto.Message { return &pb.Collection{} },
		free: func(_ *rapid.T, _ string, m proto.Message) {
			slices.Sort(m.(*pb.Collection).FeedingWeekdays) // kept in the order of the week
		},
		complete: func(id string, m proto.Message) {
			m.(*pb.Collection).Name, m.(*pb.Collection).Owner = store.CollectionName(id), "growers/g1"
		},
		create: func(tx *store.Tx, id string, m proto.Message, by store.By) (proto.Message, error) {
			c, err := tx.CreateCollection(id, "g1", m.(*pb.Collection), by)
			if err != nil {
				return nil, err
			}
			return c.Get()
		},
		get: func(tx *store.Tx, id string) (proto.Message, error) {
			return inside(tx, id, (*store.Collection).Get)
		},
		update: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inside(tx, id, func(c *store.Collection) (*pb.Collection, error) { return c.Update(by, as[*pb.Collection](f)) })
		},
		remove: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inside(tx, id, func(c *store.Collection) (*pb.Collection, error) {
				return c.Delete(by, by.Us+purgeAfter, as[*pb.Collection](f))
			})
		},
		restore: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inside(tx, id, func(c *store.Collection) (*pb.Collection, error) { return c.Undelete(by, as[*pb.Collection](f)) })
		},
	},
	"bench": {
		kind: store.BenchKind, table: "benches", where: "collection_id = 'c1' AND bench_id = ?",
		fresh:    func() proto.Message { return &pb.Bench{} },
		complete: func(id string, m proto.Message) { m.(*pb.Bench).Name = store.BenchName("c1", id) },
		create: func(tx *store.Tx, _ string, m proto.Message, by store.By) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Bench, error) { return c.CreateBench(m.(*pb.Bench), by) })
		},
		get: func(tx *store.Tx, id string) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Bench, error) { return c.Bench(id) })
		},
		update: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Bench, error) { return c.UpdateBench(id, by, as[*pb.Bench](f)) })
		},
		remove: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Bench, error) {
				return c.DeleteBench(id, by, by.Us+purgeAfter, as[*pb.Bench](f))
			})
		},
		restore: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Bench, error) { return c.UndeleteBench(id, by, as[*pb.Bench](f)) })
		},
	},
	"plant": {
		kind: store.PlantKind, table: "plants", where: "collection_id = 'c1' AND plant_id = ?",
		fresh: func() proto.Message { return &pb.Plant{} },
		free: func(t *rapid.T, id string, m proto.Message) {
			p := m.(*pb.Plant)
			p.Bench = somewhere(t)
			p.Tag = id + string([]rune(p.GetTag())[:min(50, len([]rune(p.GetTag())))])
		},
		complete: func(id string, m proto.Message) {
			p := m.(*pb.Plant)
			p.Name, p.Quantity, p.State = store.PlantName("c1", id), 1, pb.Plant_GROWING
		},
		create: func(tx *store.Tx, _ string, m proto.Message, by store.By) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Plant, error) {
				return message(one(c.CreatePlants([]store.NewPlant{{Message: m.(*pb.Plant), Kin: store.Kin{Genus: "Drosera"}}}, by)))
			})
		},
		get: func(tx *store.Tx, id string) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Plant, error) { return message(c.Plant(id)) })
		},
		update: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Plant, error) {
				return message(c.UpdatePlant(id, by, func(p *store.Plant) error { return f(p.Plant) }))
			})
		},
		remove: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Plant, error) {
				return message(c.DeletePlant(id, by, by.Us+purgeAfter, ofPlant(f)))
			})
		},
		restore: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Plant, error) { return message(c.UndeletePlant(id, by, ofPlant(f))) })
		},
	},
	"feeding": {
		kind: store.FeedingKind, plant: "p0", table: "feedings", where: "collection_id = 'c1' AND plant_id = 'p0' AND feeding_id = ?",
		fresh: func() proto.Message { return &pb.Feeding{} },
		free: func(_ *rapid.T, _ string, m proto.Message) {
			// Callers give these always.
			f := m.(*pb.Feeding)
			if f.TrapsFed == nil {
				f.TrapsFed = proto.Int32(0)
			}
			if f.FedTime == nil {
				f.FedTime = &timestamppb.Timestamp{}
			}
		},
		complete: func(id string, m proto.Message) {
			f := m.(*pb.Feeding)
			f.Name, f.Plant, f.Recorder = store.FeedingName("c1", "p0", id), store.PlantName("c1", "p0"), "growers/g1"
		},
		create: func(tx *store.Tx, _ string, m proto.Message, by store.By) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Feeding, error) {
				return one(c.CreateFeedings([]*pb.Feeding{m.(*pb.Feeding)}, by))
			})
		},
		get: func(tx *store.Tx, id string) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Feeding, error) { return c.Feeding("p0", id) })
		},
		update: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Feeding, error) {
				return c.UpdateFeeding("p0", id, by, as[*pb.Feeding](f))
			})
		},
		remove: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Feeding, error) {
				return c.DeleteFeeding("p0", id, by, as[*pb.Feeding](f))
			})
		},
		restore: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Feeding, error) {
				return c.UndeleteFeeding("p0", id, by, as[*pb.Feeding](f))
			})
		},
	},
	"observation": {
		kind: store.ObservationKind, plant: "p0", table: "observations", where: "collection_id = 'c1' AND plant_id = 'p0' AND observation_id = ?",
		fresh: func() proto.Message { return &pb.Observation{} },
		free: func(t *rapid.T, _ string, m proto.Message) {
			o := m.(*pb.Observation)
			if o.ObserveTime == nil {
				o.ObserveTime = &timestamppb.Timestamp{}
			}
			if move := o.GetMove(); move != nil {
				move.Bench = store.BenchName("c1", rapid.SampledFrom([]string{"b1", "b2"}).Draw(t, "bench"))
			}
		},
		complete: func(id string, m proto.Message) {
			o := m.(*pb.Observation)
			o.Name, o.Plant, o.Recorder = store.ObservationName("c1", "p0", id), store.PlantName("c1", "p0"), "growers/g1"
		},
		create: func(tx *store.Tx, _ string, m proto.Message, by store.By) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Observation, error) {
				return one(c.CreateObservations([]*pb.Observation{m.(*pb.Observation)}, by))
			})
		},
		get: func(tx *store.Tx, id string) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Observation, error) { return c.Observation("p0", id) })
		},
		update: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Observation, error) {
				return c.UpdateObservation("p0", id, by, as[*pb.Observation](f))
			})
		},
		remove: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Observation, error) {
				return c.DeleteObservation("p0", id, by, as[*pb.Observation](f))
			})
		},
		restore: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Observation, error) {
				return c.UndeleteObservation("p0", id, by, as[*pb.Observation](f))
			})
		},
	},
	"photo": {
		kind: store.PhotoKind, plant: "p0", table: "photos", where: "collection_id = 'c1' AND plant_id = 'p0' AND photo_id = ?",
		fresh: func() proto.Message { return &pb.Photo{} },
		free: func(_ *rapid.T, _ string, m proto.Message) {
			if p := m.(*pb.Photo); p.TakenTime == nil { // callers give it always
				p.TakenTime = &timestamppb.Timestamp{}
			}
		},
		complete: func(id string, m proto.Message) {
			p := m.(*pb.Photo)
			p.Name, p.Plant, p.Recorder = store.PhotoName("c1", "p0", id), store.PlantName("c1", "p0"), "growers/g1"
			p.Sha256, p.SizeBytes, p.WidthPx, p.HeightPx = digestOf(id), 9, 4, 3
		},
		create: func(tx *store.Tx, id string, m proto.Message, by store.By) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Photo, error) {
				p := &store.Photo{Photo: proto.CloneOf(m.(*pb.Photo))}
				p.Sha256, p.SizeBytes, p.WidthPx, p.HeightPx = digestOf(id), 9, 4, 3
				return photoOf(c.CreatePhoto(p, by))
			})
		},
		get: func(tx *store.Tx, id string) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Photo, error) { return photoOf(c.Photo("p0", id)) })
		},
		update: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Photo, error) { return photoOf(c.UpdatePhoto("p0", id, by, ofPhoto(f))) })
		},
		remove: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Photo, error) {
				return photoOf(c.DeletePhoto("p0", id, by, by.Us+purgeAfter, ofPhoto(f)))
			})
		},
		restore: func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
			return inC1(tx, func(c *store.Collection) (*pb.Photo, error) {
				return photoOf(c.UndeletePhoto("p0", id, by, ofPhoto(f)))
			})
		},
	},
}

// draw makes a random one, with its name.
func (r *resource) draw(t *rapid.T, id string) proto.Message {
	m := r.fresh()
	drawInto(t, m)
	if r.free != nil {
		r.free(t, id, m)
	}
	named := r.fresh()
	r.complete(id, named)
	setField(m, "name", protoreflect.ValueOfString(field(named, "name").String()))
	return m
}

// sample is always the same for a seed.
func (r *resource) sample(id string, seed int) proto.Message {
	return rapid.Custom(func(t *rapid.T) proto.Message { return r.draw(t, id) }).Example(seed)
}

// revisions are all changes of one.
func (r *resource) revisions(tx *store.Tx, id string) (all []*pb.Revision, err error) {
	collection := "c1"
	if r.kind == store.CollectionKind {
		collection = id
	}
	err = within(collection, func(c *store.Collection) (err error) {
		all, _, err = c.Revisions(r.kind, r.plant, id, store.List{Limit: big})
		return err
	})(tx)
	return all, err
}

func field(m proto.Message, name protoreflect.Name) protoreflect.Value {
	return m.ProtoReflect().Get(m.ProtoReflect().Descriptor().Fields().ByName(name))
}

func setField(m proto.Message, name protoreflect.Name, v protoreflect.Value) {
	m.ProtoReflect().Set(m.ProtoReflect().Descriptor().Fields().ByName(name), v)
}

func setTime(m proto.Message, name protoreflect.Name, us int64) {
	setField(m, name, protoreflect.ValueOfMessage(stampOf(us).ProtoReflect()))
}

func hasField(m proto.Message, name protoreflect.Name) bool {
	f := m.ProtoReflect().Descriptor().Fields().ByName(name)
	return f != nil && m.ProtoReflect().Has(f)
}

func etagOf(m proto.Message) string { return field(m, "etag").String() }

// before is what a revision says stood before, or nil.
func before(r *pb.Revision) proto.Message {
	m := r.ProtoReflect()
	f := m.WhichOneof(m.Descriptor().Oneofs().ByName("before"))
	if f == nil {
		return nil
	}
	return m.Get(f).Message().Interface()
}

// eachResource runs f on both engines for each resource, whose one with the id x is
// made at noon.
func eachResource(t *testing.T, f func(b bed, r *resource, made proto.Message)) {
	t.Helper()
	each(t, func(b bed) {
		b.benches("b1", "b2")
		b.plants("p0")
		for name, r := range resources {
			b.Run(name, func(t *testing.T) {
				b := bed{t, b.s}
				f(b, r, b.make(r, "x"))
			})
		}
	})
}

func (b bed) make(r *resource, id string) (made proto.Message) {
	b.Helper()
	b.write(func(tx *store.Tx) (err error) {
		made, err = r.create(tx, id, r.sample(id, 1), at(0))
		return err
	})
	return made
}

// A life in five changes: each has its number, and what stood before.
func TestLife(t *testing.T) {
	eachResource(t, func(b bed, r *resource, made proto.Message) {
		states := []proto.Message{made}
		step := func(f func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error), do change) proto.Message {
			b.Helper()
			now := states[len(states)-1]
			var after, read proto.Message
			b.write(func(tx *store.Tx) (err error) {
				by := store.By{Us: noon + int64(len(states)), Grower: "g2", Token: fmt.Sprint("t", len(states))}
				after, err = f(tx, "x", by, func(m proto.Message) error {
					tells(b, "what the change gets", m, now)
					return do(m)
				})
				return err
			})
			b.read(func(tx *store.Tx) (err error) {
				read, err = r.get(tx, "x")
				return err
			})
			tells(b, "what is read", read, after)
			if etagOf(after) == etagOf(now) {
				b.Error("the etag is the same after a change")
			}
			states = append(states, after)
			return after
		}
		want := func(what string, got proto.Message, change func(proto.Message)) {
			b.Helper()
			m := proto.Clone(states[len(states)-2])
			setField(m, "etag", protoreflect.ValueOfString(etagOf(got)))
			setTime(m, "update_time", noon+int64(len(states)-1))
			change(m)
			tells(b, what, got, m)
		}

		other := r.sample("x", 2)
		updated := step(r.update, sets(other))
		// Its record, its bench and its name are not the caller's to set.
		complete := proto.Clone(other)
		r.complete("x", complete)
		if r.kind == store.PlantKind {
			setField(complete, "bench", field(made, "bench"))
		}
		setTime(complete, "create_time", noon)
		setTime(complete, "update_time", noon+1)
		setField(complete, "etag", protoreflect.ValueOfString(etagOf(updated)))
		tells(b, "updated", updated, complete)

		deleted := step(r.remove, agree)
		want("deleted", deleted, func(m proto.Message) {
			setTime(m, "delete_time", noon+2)
			if r.plant == "" || r.kind == store.PhotoKind {
				setTime(m, "purge_time", noon+2+purgeAfter)
			}
		})
		restored := step(r.restore, agree)
		want("restored", restored, func(m proto.Message) {
			for _, name := range []protoreflect.Name{"delete_time", "purge_time"} {
				if hasField(m, name) {
					m.ProtoReflect().Clear(m.ProtoReflect().Descriptor().Fields().ByName(name))
				}
			}
		})
		step(r.update, sets(r.sample("x", 3)))

		etags := map[string]bool{}
		for _, m := range states {
			etags[etagOf(m)] = true
		}
		if len(etags) != len(states) {
			b.Errorf("%d states have %d etags", len(states), len(etags))
		}
		var history []*pb.Revision
		b.read(func(tx *store.Tx) (err error) {
			history, err = r.revisions(tx, "x")
			return err
		})
		actions := []pb.Revision_Action{
			pb.Revision_CREATED, pb.Revision_UPDATED, pb.Revision_DELETED, pb.Revision_UNDELETED, pb.Revision_UPDATED,
		}
		if len(history) != len(actions) {
			b.Fatalf("%d revisions, want %d", len(history), len(actions))
		}
		for n, revision := range history {
			want := &pb.Revision{
				Number: int32(n + 1), Action: actions[n], CreateTime: stampOf(noon + int64(n)),
				Grower: "growers/g2", Token: fmt.Sprintf("growers/g2/tokens/t%d", n),
			}
			var stood proto.Message
			if n == 0 {
				want.Grower, want.Token = "growers/g1", "growers/g1/tokens/t1"
			} else {
				stood = states[n-1]
			}
			tells(b, "what stood before", before(revision), stood)
			revision.Before = nil
			tells(b, "a revision", revision, want)
		}
	})
}

// nothingHappens runs f, which must fail with want, and checks that the one with the
// id x and its history are as they were.
func (b bed) nothingHappens(r *resource, want error, f func(tx *store.Tx) error) {
	b.Helper()
	type all struct {
		m       proto.Message
		history []*pb.Revision
	}
	look := func() (now all) {
		b.read(func(tx *store.Tx) (err error) {
			if now.m, err = r.get(tx, "x"); err != nil {
				return err
			}
			now.history, err = r.revisions(tx, "x")
			return err
		})
		return now
	}
	before := look()
	b.refused(want, f)
	after := look()
	tells(b, "the resource", after.m, before.m)
	tells(b, "its history", after.history, before.history)
}

func (r *resource) changes() map[string]func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error) {
	return map[string]func(tx *store.Tx, id string, by store.By, f change) (proto.Message, error){
		"update": r.update, "delete": r.remove, "undelete": r.restore,
	}
}

func TestChangeThatIsRefused(t *testing.T) {
	eachResource(t, func(b bed, r *resource, _ proto.Message) {
		for name, do := range r.changes() {
			b.Run(name, func(t *testing.T) {
				bed{t, b.s}.nothingHappens(r, errMine, func(tx *store.Tx) error {
					_, err := do(tx, "x", at(1), func(m proto.Message) error { return errors.Join(sets(r.sample("x", 2))(m), errMine) })
					return err
				})
			})
		}
	})
}

// A call that fails keeps nothing of what it changed before.
func TestChangeOfCallThatFails(t *testing.T) {
	eachResource(t, func(b bed, r *resource, _ proto.Message) {
		b.nothingHappens(r, errMine, func(tx *store.Tx) error {
			if _, err := r.update(tx, "x", at(1), sets(r.sample("x", 2))); err != nil {
				return err
			}
			if _, err := r.remove(tx, "x", at(2), agree); err != nil {
				return err
			}
			if _, err := r.create(tx, "y", r.sample("y", 1), at(2)); err != nil {
				return err
			}
			return errMine
		})
		b.refused(store.ErrNotFound, func(tx *store.Tx) error {
			_, err := r.get(tx, "y")
			return err
		})
	})
}

func TestChangeOfWhatIsNotThere(t *testing.T) {
	eachResource(t, func(b bed, r *resource, _ proto.Message) {
		for _, id := range []string{"y", "X", "", "%", "x "} {
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				_, err := r.get(tx, id)
				return err
			})
			for _, do := range r.changes() {
				b.refused(store.ErrNotFound, func(tx *store.Tx) error {
					_, err := do(tx, id, at(1), func(proto.Message) error { return errors.New("called for nothing") })
					return err
				})
			}
			if r.kind == store.CollectionKind {
				continue // the history is part of what is not there
			}
			b.read(func(tx *store.Tx) error {
				all, err := r.revisions(tx, id)
				if len(all) != 0 {
					b.Errorf("%q has a history: %v", id, all)
				}
				return err
			})
		}
	})
}

func TestIDThatIsTaken(t *testing.T) {
	eachResource(t, func(b bed, r *resource, _ proto.Message) {
		again := func(tx *store.Tx) error {
			_, err := r.create(tx, "x", r.sample("x", 2), at(1))
			return err
		}
		b.nothingHappens(r, store.ErrExists, again)
		b.write(func(tx *store.Tx) error {
			_, err := r.remove(tx, "x", at(1), agree)
			return err
		})
		b.nothingHappens(r, store.ErrExists, again) // deleted is not gone
	})
}

// A program that does not know all of a row leaves it as it is.
func TestRowOfNewerProgram(t *testing.T) {
	eachResource(t, func(b bed, r *resource, _ proto.Message) {
		b.newer(r.table, r.where, "x")
		for name, do := range r.changes() {
			b.Run(name, func(t *testing.T) {
				bed{t, b.s}.nothingHappens(r, store.ErrNewer, func(tx *store.Tx) error {
					_, err := do(tx, "x", at(1), agree)
					return err
				})
			})
		}
	})
}

// A row that changes between its reading and its writing is not overwritten. Locks
// keep that from happening; this is what notices if they do not.
func TestRowThatChangedMeanwhile(t *testing.T) {
	eachResource(t, func(b bed, r *resource, _ proto.Message) {
		for name, do := range r.changes() {
			b.Run(name, func(t *testing.T) {
				bed{t, b.s}.nothingHappens(r, store.ErrStale, func(tx *store.Tx) error {
					_, err := do(tx, "x", at(1), func(m proto.Message) error {
						if err := tx.Q().Exec("UPDATE "+r.table+" SET version = version + 1 WHERE "+r.where, "x").Error; err != nil {
							return err
						}
						return sets(r.sample("x", 2))(m)
					})
					return err
				})
			})
		}
	})
}

// Whatever the contract allows comes back as it went in, from a create and from an
// update, and stands in the history.
func TestRoundTrip(t *testing.T) {
	each(t, func(b bed) {
		b.benches("b1", "b2")
		b.plants("p0")
		names, n := slices.Sorted(maps.Keys(resources)), 0
		rapid.Check(b.T, func(t *rapid.T) {
			for _, name := range rapid.Permutation(names).Draw(t, "resources")[:2] {
				n++
				id := fmt.Sprint("n", n)
				r := resources[name]
				first, second := r.draw(t, id), r.draw(t, id)
				err := b.s.Write(b.Context(), func(tx *store.Tx) error { return r.thereAndBack(t, tx, id, first, second) })
				if err != nil {
					t.Fatal(err)
				}
			}
		})
	})
}

func (r *resource) thereAndBack(t *rapid.T, tx *store.Tx, id string, first, second proto.Message) error {
	whole := func(sent proto.Message, us int64, etag string) proto.Message {
		m := proto.Clone(sent)
		r.complete(id, m)
		setTime(m, "create_time", noon)
		setTime(m, "update_time", noon+us)
		setField(m, "etag", protoreflect.ValueOfString(etag))
		return m
	}
	untouched := proto.Clone(first)
	made, err := r.create(tx, id, first, at(0))
	if err != nil {
		return err
	}
	tells(t, "the argument", first, untouched)
	want := whole(first, 0, etagOf(made))
	tells(t, "made", made, want)
	read, err := r.get(tx, id)
	if err != nil {
		return err
	}
	tells(t, "what is read", read, want)

	changed, err := r.update(tx, id, at(1), sets(second))
	if err != nil {
		return err
	}
	after := whole(second, 1, etagOf(changed))
	if r.kind == store.PlantKind {
		setField(after, "bench", field(first, "bench")) // only moves change it
	}
	changes := 1
	if same := whole(second, 0, etagOf(made)); r.kind == store.PlantKind {
		setField(same, "bench", field(first, "bench"))
		if proto.Equal(same, want) {
			after, changes = want, 0 // nothing changes, so nothing is written
		}
	} else if proto.Equal(same, want) {
		after, changes = want, 0
	}
	tells(t, "changed", changed, after)
	if read, err = r.get(tx, id); err != nil {
		return err
	}
	tells(t, "what is read after the change", read, after)
	history, err := r.revisions(tx, id)
	if err != nil {
		return err
	}
	if len(history) != 1+changes {
		t.Fatalf("%d revisions", len(history))
	}
	if changes > 0 {
		tells(t, "what stood before", before(history[1]), want)
	}
	return nil
}
