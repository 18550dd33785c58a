package service

import (
	"context"
	"fmt"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/store"
)

// DividePlant makes plants of a plant.
func (s *Sessions) DividePlant(ctx context.Context, req *pb.DividePlantRequest) (*pb.DividePlantResponse, error) {
	out, err := write(ctx, s.Core, req,
		func(v *visit) ([]resource, error) { return s.divide(v, req) },
		s.divideAgain)
	if err != nil {
		return nil, err
	}
	answer := &pb.DividePlantResponse{}
	for _, m := range out {
		switch m := m.(type) {
		case *pb.Plant:
			answer.Plants = append(answer.Plants, m)
		case *pb.Observation:
			answer.Observations = append(answer.Observations, m)
		}
	}
	return answer, nil
}

// divideAgain returns the plants and observations that a division made.
func (s *Sessions) divideAgain(v *visit, names []string) ([]resource, error) {
	var plants, seen []string
	for _, name := range names {
		if store.Segment(name, "observations") != "" {
			seen = append(seen, name)
		} else {
			plants = append(plants, name)
		}
	}
	made, err := getPlants(v, plants)
	if err != nil {
		return nil, err
	}
	observations, err := s.observations.getAll(v, seen)
	return append(asResources(made), asResources(observations)...), err
}

func (s *Sessions) divide(v *visit, req *pb.DividePlantRequest) ([]resource, error) {
	c, id, err := v.plantOf(req.GetName(), req.GetTag())
	if err != nil {
		return nil, err
	}
	old, err := c.Plant(id)
	if err == nil && v.purged(old) {
		err = store.ErrNotFound
	}
	if err != nil {
		return nil, missing(err, PlantNotFound, store.PlantName(c.ID(), id))
	}
	if old.GetDeleteTime() != nil {
		return nil, deleted(old.GetName())
	}
	if !old.Living {
		return nil, &Error{Reason: NotGrowing, Message: fmt.Sprintf("%s is %s: only what grows is divided", old.GetName(), old.GetState())}
	}
	k := s.observations.keep(v, c)
	histories, err := c.Histories([]string{id})
	if err != nil {
		return nil, err
	}
	history := historyOf(histories, old)
	refused := k.refused
	day, us := k.when("divide", req.GetDivideTime(), req.GetDivideDate())
	if today := c.today(v.at); k.refused == refused && day > today {
		field := "divideDate"
		if req.GetDivideTime() != nil {
			field = "divideTime"
		}
		k.problems.refuse(InvalidFields, field, "must be %s at the latest, which is today: plants that are yet to be made cannot be recorded", today)
	}
	if req.GetDivideTime() == nil && k.refused == refused {
		us = k.after(history, day, us)
	}
	quantities := req.GetQuantities()
	if len(quantities) > 0 && len(quantities) != len(req.GetTags()) {
		k.problems.refuse(InvalidFields, "quantities", "must be as many as tags, %d, or none", len(req.GetTags()))
	}
	benches, err := v.allBenches(c)
	if err != nil {
		return nil, err
	}
	checkBench(&k.problems, benches, "bench", c.ID(), req.GetBench())
	news, err := k.divided(old, req, day.String())
	if err != nil {
		return nil, err
	}

	note := func(plant string, m *pb.Observation) *pb.Observation {
		m.Name, m.ObserveTime = plant+"/observations/"+v.newID(), instantOfMicros(us)
		return m
	}
	count := func(plant string, quantity int32) *pb.Observation {
		return note(plant, &pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: quantity}}})
	}
	seen := []*pb.Observation{note(old.GetName(), &pb.Observation{Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}})}
	before := quantityAt(history, us)
	var left int32
	if req.RemainingQuantity != nil {
		left = req.GetRemainingQuantity()
	} else {
		taken := int32(len(news))
		if len(quantities) > 0 {
			taken = 0
			for _, n := range quantities {
				taken += n // 100 times 100,000 at most
			}
		}
		left = max(1, before-taken)
	}
	if left != before {
		seen = append(seen, count(old.GetName(), left))
	}
	if history.Len()+len(seen) > mostEvents {
		k.refuseMore("name", old, history.Len())
	}
	if err := k.err(); err != nil {
		return nil, err
	}
	ids := make([]string, len(news))
	for i, n := range news {
		ids[i] = store.Segment(n.Message.GetName(), "plants")
		if len(quantities) > 0 && quantities[i] != 1 {
			seen = append(seen, count(n.Message.GetName(), quantities[i]))
		}
	}
	if _, err := c.CreatePlants(news, v.by()); err != nil {
		return nil, err
	}
	if seen, err = c.CreateObservations(seen, v.by()); err != nil {
		return nil, err
	}
	for _, m := range seen {
		s.observations.dates(m, c.zone)
	}
	settled, err := v.settle(c, append(ids, id))
	if err != nil {
		return nil, err
	}
	return append(asResources(settled[:len(ids)]), asResources(seen)...), nil
}

// divided returns the plants that a division makes of an old one on a day.
func (k *keeping) divided(old *store.Plant, req *pb.DividePlantRequest, day string) ([]store.NewPlant, error) {
	tags, err := k.c.newTags(req.GetTags())
	if err != nil {
		return nil, err
	}
	bench, propagation := old.GetBench(), pb.Plant_DIVISION
	if req.GetBench() != "" {
		bench = req.GetBench()
	}
	if req.GetPropagation() != pb.Plant_PROPAGATION_UNSPECIFIED {
		propagation = req.GetPropagation()
	}
	news := make([]store.NewPlant, len(req.GetTags()))
	for i, tag := range req.GetTags() {
		field := fmt.Sprintf("tags[%d]", i)
		tag = checkTag(&k.problems, field, tag, "")
		tags.check(&k.problems, field, field, tag, "")
		news[i] = store.NewPlant{Kin: old.Kin, Message: &pb.Plant{
			Name: store.PlantName(k.c.ID(), k.newID()), Tag: tag,
			Taxon: old.GetTaxon(), ScientificName: old.GetScientificName(), TrapType: old.GetTrapType(), Habit: old.GetHabit(),
			Cultivar: old.GetCultivar(), Clone: old.GetClone(), Locality: old.GetLocality(),
			Parents: []string{old.GetName()}, Propagation: propagation, Bench: bench, AcquireDate: &day,
		}}
	}
	return news, nil
}

// after is an instant of a day behind what was recorded on it, where only the day is
// known: what was counted before was divided.
func (k *keeping) after(h *store.History, day civil.Day, us int64) int64 {
	for _, m := range h.Observations {
		if seen := store.Micros(m.GetObserveTime()); k.dayOf(m.GetObserveTime()) == day && seen >= us && k.dayOf(instantOfMicros(seen+1)) == day {
			us = seen + 1
		}
	}
	return us
}

// quantityAt is how many plants a pot held at an instant.
func quantityAt(h *store.History, us int64) int32 {
	quantity := int32(1)
	for _, m := range h.Observations {
		if count := m.GetCount(); count != nil && store.Micros(m.GetObserveTime()) <= us {
			quantity = count.GetQuantity()
		}
	}
	return quantity
}
