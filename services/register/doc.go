// Package register reads and writes the register as YAML files that people keep:
// trucks, jobs, materials, rate cards and the rest, each entry with the time from
// which it holds. One file holds entries of one register:
//
//	register: truck               # one of events.Registers
//	author: Yard office           # who answers for the entries
//	timeZone: Europe/Dublin       # for dates without a time
//	effectiveFrom: 2026-09-01     # when entries take effect that do not say it
//	entries:
//	  - key: TM-01
//	    document:
//	      name: Heron
//	      registration: 261-TR-101
//	      carrier: TARNMOOR
//	      debrisCapacityL: 6000
//	      freshCapacityL: 2000
//	      tareKg: 14500
//	      permittedGrossKg: 26000
//	  - key: TM-01
//	    effectiveFrom: 2026-10-15T06:00:00+01:00
//	    author: Workshop
//	    note: second fresh tank fitted
//	    document: {name: Heron, registration: 261-TR-101, carrier: TARNMOOR,
//	      debrisCapacityL: 6000, freshCapacityL: 3000, tareKg: 14700, permittedGrossKg: 26000}
//
// The members of document are those of the register's type in package events
// (events.Truck here), with the unit in each name. An effectiveFrom is a date,
// which means its first instant in timeZone, or RFC 3339 with an offset; a later
// entry of the same key is a revision. What is text may be written without
// quotes: hourlyRate: 85.00 keeps both decimals. Anchors, aliases, tags and
// several documents in one file are refused: every value is written out where it
// holds.
//
// [Workbook] and [Loader.Workbook] do the same with a workbook of one sheet for each register.
//
// Reading is strict and whole: every problem of every file is reported with its
// file, line, entry, field, what was found and what is allowed, and nothing is
// returned unless all is well.
package register
