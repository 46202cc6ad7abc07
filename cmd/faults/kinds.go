package main

import (
	"context"
	"math/rand/v2"

	"spoilbook/cmd/faults/internal/fleet"
)

// kind is one row of the table: a kind of fault, and a round of it.
type kind struct {
	Name string
	run  func(ctx context.Context, st *stage, seed uint64) (outcome, error)

	harms bool // it harms files of a ledger that stands still
}

// kinds are all kinds of fault, in the order of the table.
func kinds() []kind {
	var all []kind
	peril := func(name string, l layout, faults func(seed uint64) strikes) {
		all = append(all, kind{name, func(ctx context.Context, st *stage, seed uint64) (outcome, error) {
			return st.inPeril(ctx, play{seed: seed, layout: l, faults: faults(seed)})
		}, false})
	}
	on := func(name string, l layout, n int, parts []string, blow ...blow) {
		peril(name, l, func(seed uint64) strikes { return blows(dice(seed, name), n, parts, blow...) })
	}
	on("spoilbook is killed (kill -9)", together, 2, []string{hub}, killed)
	on("spoilbook is told to stop (SIGTERM)", together, 2, []string{hub}, stopped)
	on("spoilbook is halted and goes on (SIGSTOP)", together, 2, []string{hub}, halted)
	on("the NATS server is killed", apart, 3, []string{nats}, killed)
	on("the NATS server is told to stop", apart, 3, []string{nats}, stopped)
	on("the NATS server is halted and goes on", apart, 2, []string{nats}, halted)
	on("the ClickHouse server is killed", apart, 3, []string{house}, killed)
	on("the ClickHouse server is told to stop", apart, 3, []string{house}, stopped)
	on("the ClickHouse server is halted and goes on", apart, 2, []string{house}, halted)
	on("any of the three, in any way, one after another", apart, 4, []string{hub, nats, house}, killed, stopped, halted)
	peril("all three are killed at once", apart, func(seed uint64) strikes { return allAtOnce(dice(seed, "all")) })
	for _, c := range []struct {
		name string
		layout
		parts []string
	}{
		{"spoilbook is killed under readers and writers; one log must explain what they were told", together, []string{hub}},
		{"the servers are killed under readers and writers; one log must explain what they were told", apart, []string{nats, house}},
	} {
		all = append(all, kind{c.name, func(ctx context.Context, st *stage, seed uint64) (outcome, error) {
			return st.sayings(ctx, c.name, c.layout, seed, c.parts)
		}, false})
	}
	for _, c := range []struct {
		name string
		fleet.Manners
	}{
		{fleet.BrokenOff, fleet.Manners{BreakOff: 40}},
		{fleet.LostWaited, fleet.Manners{GiveUp: 40}},
		{fleet.SentTwice, fleet.Manners{Again: 40}},
	} {
		all = append(all, kind{c.name, func(ctx context.Context, st *stage, seed uint64) (outcome, error) {
			return st.badManners(ctx, c.name, c.Manners, seed)
		}, false})
	}
	const full = "the disk is full for a while"
	all = append(all, kind{full, func(ctx context.Context, st *stage, seed uint64) (outcome, error) {
		return st.diskFull(ctx, full, seed)
	}, false})
	for _, c := range []struct {
		name    string
		leading bool
		what    func(ctx context.Context, rng *rand.Rand, s *site, i int) (bool, error)
	}{
		{"of three NATS servers, the leader is killed", true, onNode(killed)},
		{"of three NATS servers, a follower is halted and goes on", false, onNode(halted)},
		{"of three NATS servers, the leader is cut off from the others", true, cutOff},
		{"of three NATS servers, a follower is cut off from the others", false, cutOff},
	} {
		peril(c.name, cluster, func(seed uint64) strikes { return onNodes(dice(seed, c.name), c.leading, 2, c.what) })
	}
	return append(all, harms()...)
}

// harms are the kinds of damage to what is stored.
func harms() (all []kind) {
	for _, of := range []struct{ folder, name string }{{storeFolder, "the stopped store"}, {brokerFolder, "the stopped broker"}} {
		for _, h := range []struct {
			does string
			harm
		}{
			{"a byte of a file is changed", flipByte}, {"a file is cut short", cutShort}, {"a file is deleted", deleteFile},
			{"a folder is deleted", deleteFolder}, {"an older copy is put back", putBack},
		} {
			name := of.name + ": " + h.does
			all = append(all, kind{name, func(ctx context.Context, st *stage, seed uint64) (outcome, error) {
				return st.harmed(ctx, seed, name, of.folder, h.harm)
			}, true})
		}
	}
	return all
}
