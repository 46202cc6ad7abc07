package tank

import (
	"fmt"
	"iter"
	"strconv"
	"strings"
	"time"
)

// PlainJournal returns the movements as a plain-text accounting journal, a piece at
// a time, which hledger and its kin read: first the commodities (gS, grams of solids;
// gW, grams of water) and the accounts, then a transaction for each movement, dated
// in zone, with the ledger positions behind it as a tag. Accounts begin with the
// truck, so that the journals of several trucks can follow each other in one file:
//
//	2026-10-05 site to debris-tank  ; time:08:25:00.000, job:J-101, material:M-CLAY, positions:42
//	    TM-01:debris-tank  3304348 gS
//	    TM-01:site  -3304348 gS
//	    TM-01:debris-tank  495652 gW
//	    TM-01:site  -495652 gW
func (a *Account) PlainJournal(zone *time.Location) iter.Seq[string] {
	return func(yield func(string) bool) {
		if !yield(a.plainHeader()) {
			return
		}
		for i := range a.Movements {
			if !yield(a.plainTransaction(&a.Movements[i], zone)) {
				return
			}
		}
	}
}

func (a *Account) plainHeader() string {
	b := strings.Builder{}
	b.WriteString("commodity 1. gS\ncommodity 1. gW\n")
	for _, balance := range a.balances {
		fmt.Fprintf(&b, "account %s:%s\n", a.Truck, balance.Account)
	}
	b.WriteByte('\n')
	return b.String()
}

func (a *Account) plainTransaction(m *Movement, zone *time.Location) string {
	at := time.UnixMilli(m.At.UnixMS).In(zone)
	b := strings.Builder{}
	fmt.Fprintf(&b, "%s %s to %s  ; time:%s", at.Format(time.DateOnly), m.From, m.To, at.Format("15:04:05.000"))
	for _, tag := range [][2]string{{"job", string(m.Job)}, {"material", string(m.Material)}, {"note", m.Note}} {
		if tag[1] != "" {
			fmt.Fprintf(&b, ", %s:%s", tag[0], tag[1])
		}
	}
	b.WriteString(", positions:" + spaced(m.Positions) + "\n")
	for _, part := range []struct {
		grams     int64
		commodity string
	}{{m.SolidsG, "gS"}, {m.WaterG, "gW"}} {
		if part.grams != 0 {
			fmt.Fprintf(&b, "    %s:%s  %d %s\n", a.Truck, m.To, part.grams, part.commodity)
			fmt.Fprintf(&b, "    %s:%s  %d %s\n", a.Truck, m.From, -part.grams, part.commodity)
		}
	}
	b.WriteByte('\n')
	return b.String()
}

func spaced(positions []uint64) string {
	texts := make([]string, 0, len(positions))
	for _, p := range positions {
		texts = append(texts, strconv.FormatUint(p, 10))
	}
	return strings.Join(texts, " ")
}
