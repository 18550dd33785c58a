package service

import (
	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/due"
)

// RegimenMessage returns the message of a regimen, nil for one that sets
// nothing.
func RegimenMessage(r *due.Regimen) *pb.Regimen {
	m, set := &pb.Regimen{}, false
	to := regimenNumbers(m)
	for i, from := range r.Numbers() {
		if *from != nil {
			v := int32(**from)
			*to[i], set = &v, true
		}
	}
	for _, days := range r.CheckDays {
		m.CheckDays, set = append(m.CheckDays, int32(days)), true
	}
	if r.HandFeed != due.NoHandFeed {
		v := pb.Regimen_HandFeed(r.HandFeed)
		m.HandFeed, set = &v, true
	}
	if r.CutStalks != nil {
		m.CutStalks, set = r.CutStalks, true
	}
	if !set {
		return nil
	}
	return m
}

// regimenValue returns the regimen that a message sets.
func regimenValue(m *pb.Regimen) due.Regimen {
	var r due.Regimen
	if m == nil {
		return r
	}
	to := r.Numbers()
	for i, from := range regimenNumbers(m) {
		if *from != nil {
			v := int(**from)
			*to[i] = &v
		}
	}
	for _, days := range m.GetCheckDays() {
		r.CheckDays = append(r.CheckDays, int(days))
	}
	r.HandFeed, r.CutStalks = due.HandFeed(m.GetHandFeed()), m.CutStalks
	return r
}

// regimenNumbers returns where a message keeps its numbers, in the order of
// due.Regimen.
func regimenNumbers(m *pb.Regimen) []**int32 {
	return []**int32{
		&m.IntervalDays, &m.ToleranceDays, &m.TrapsStart, &m.TrapsMax, &m.CleanRunsToStepUp, &m.FeedOneIn,
		&m.MaxItemPercent, &m.MouldPausePercent, &m.ResiduePausePercent, &m.SettleDays, &m.DigestDays,
	}
}
