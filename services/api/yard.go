package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/reports/yard"
	"spoilbook/services/ledger"
)

type yardInput struct {
	Truck string `query:"truck" doc:"only this truck"`
	At    string `query:"at" format:"date-time" example:"2026-10-05T10:00:00Z" doc:"the moment; now when left out"`
}

// YardView is how every truck stands at a moment, by what is recorded so far.
type YardView struct {
	At       time.Time      `json:"at"`
	Position uint64         `json:"position" doc:"the last ledger position covered"`
	Trucks   []StandingView `json:"trucks"`
}

// StandingView is how one truck stands.
type StandingView struct {
	Truck      string              `json:"truck"`
	Name       string              `json:"name,omitempty"`
	Plate      string              `json:"registration,omitempty"`
	Driver     string              `json:"driver,omitempty"`
	Crew       []events.OperatorID `json:"crew,omitempty"`
	Where      yard.Where          `json:"where" enum:"off-shift,on-the-road,at-site,at-facility"`
	WhereSince time.Time           `json:"whereSince,omitzero"`
	Job        string              `json:"job,omitempty"`
	Facility   string              `json:"facility,omitempty"`
	ShiftSince time.Time           `json:"shiftSince,omitzero"`
	Doing      events.Activity     `json:"doing,omitempty" doc:"the activity that the time counts as"`
	DoingSince time.Time           `json:"doingSince,omitzero"`
	Cause      events.StandbyCause `json:"cause,omitempty" doc:"of a standby"`
	Debris     LevelView           `json:"debrisTank"`
	Fresh      LevelView           `json:"freshTank"`
	Next       []NextView          `json:"next" doc:"what has to happen, most urgent first"`
	LastHeard  time.Time           `json:"lastHeard,omitzero"`
	Position   uint64              `json:"position,omitempty" doc:"of the last entry heard"`
	Open       int                 `json:"openSeriousFindings"`
}

// LevelView is what a tank holds.
type LevelView struct {
	VolumeML    int64 `json:"volumeML"`
	ToleranceML int64 `json:"toleranceML,omitempty" doc:"two standard uncertainties"`
	CapacityML  int64 `json:"capacityML,omitempty"`
	MassG       int64 `json:"massG"`
	FreeWaterML int64 `json:"freeWaterML,omitempty" doc:"the largest clear decant"`
}

// NextView is one thing that has to happen.
type NextView struct {
	What      yard.What    `json:"what"`
	Urgency   yard.Urgency `json:"urgency" enum:"at-once,soon,later"`
	Text      string       `json:"text"`
	Positions []uint64     `json:"positions,omitempty" doc:"the events it follows from"`
}

type yardOutput struct{ Body YardView }

func (s *service) addYard(a huma.API) {
	huma.Register(a, huma.Operation{OperationID: "yard", Method: http.MethodGet, Path: "/v1/yard", Tags: []string{"yard"}, Summary: "How every truck stands",
		Description: "Where it is and doing what since when, what its tanks hold, and what has to happen next, by what is recorded so far. It advises; the crew, the maker's manual and local rules decide."}, s.yard)
}

func (s *service) yard(ctx context.Context, in *yardInput) (*yardOutput, error) {
	var at time.Time
	if in.At != "" {
		var err error
		if at, err = time.Parse(time.RFC3339, in.At); err != nil {
			return nil, s.problemOf(ctx, ledger.Fail(ledger.BadRequest, "at: found %s; allowed: a time such as 2026-10-05T10:00:00Z", excerpt(in.At)))
		}
	}
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	r, err := s.Ledger.Yard(ctx, events.TruckID(in.Truck), at)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &yardOutput{yardView(r)}, nil
}

func yardView(r *yard.Report) YardView {
	v := YardView{At: r.At.Std().UTC(), Position: r.Position, Trucks: []StandingView{}}
	for i := range r.Trucks {
		v.Trucks = append(v.Trucks, standingView(&r.Trucks[i]))
	}
	return v
}

func standingView(s *yard.Standing) StandingView {
	utc := func(t events.Time) time.Time {
		if t.IsZero() {
			return time.Time{}
		}
		return t.Std().UTC()
	}
	v := StandingView{Truck: string(s.Truck), Name: s.Name, Plate: s.Plate, Driver: string(s.Driver), Crew: s.Crew, Where: s.Where, WhereSince: utc(s.WhereSince),
		Job: string(s.Job), Facility: string(s.Facility), ShiftSince: utc(s.ShiftSince), Doing: s.Doing, DoingSince: utc(s.DoingSince), Cause: s.Cause,
		Debris: LevelView(s.Debris), Fresh: LevelView(s.Fresh), Next: []NextView{}, LastHeard: utc(s.LastHeard), Position: s.Position, Open: s.Open}
	for _, n := range s.Next {
		v.Next = append(v.Next, NextView{What: n.What, Urgency: n.Urgency, Text: n.Text, Positions: n.Cites})
	}
	return v
}
