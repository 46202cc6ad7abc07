package tank

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// post records a double entry; nothing is recorded when nothing moves. The truck's
// own tanks are kept in parcels and freshML by the callers.
func (f *fold) post(m Movement) {
	if m.SolidsG == 0 && m.WaterG == 0 {
		return
	}
	from, to := f.balance(m.From), f.balance(m.To)
	b := f.account.balances
	b[from].SolidsG -= m.SolidsG
	b[from].WaterG -= m.WaterG
	b[to].SolidsG += m.SolidsG
	b[to].WaterG += m.WaterG
	if !f.options.OmitMovements {
		f.account.Movements = append(f.account.Movements, m)
	}
}

// move posts phases that an entry moves for its own job.
func (f *fold) move(e *reports.Entry, from, to AccountName, solidsG, waterG int64, note string) {
	f.post(Movement{At: e.Occurred, Positions: e.Positions, From: from, To: to, Job: e.Job,
		SolidsG: solidsG, WaterG: waterG, Note: note})
}

// moveShares posts what an entry moves out of the debris tank, share by share.
func (f *fold) moveShares(e *reports.Entry, to AccountName, shares []Share) {
	for i := range shares {
		s := &shares[i]
		f.post(Movement{At: e.Occurred, Positions: e.Positions, From: DebrisTank, To: to, Job: s.Job, Material: s.Material,
			SolidsG: s.SolidsG, WaterG: s.WaterG})
	}
}

func (f *fold) balance(name AccountName) int {
	i, ok := f.accounts[name]
	if !ok {
		i = len(f.account.balances)
		f.accounts[name] = i
		f.account.balances = append(f.account.balances, Balance{Account: name})
	}
	return i
}

// nameKey identifies an account name that has been put together before.
type nameKey struct{ class, id string }

func (f *fold) facility(id events.FacilityID) AccountName {
	return f.name("facility", string(id), func() AccountName { return FacilityAccount(id) })
}

func (f *fold) outfall(id events.OutfallID) AccountName {
	return f.name("outfall", string(id), func() AccountName { return OutfallAccount(id) })
}

func (f *fold) waterSource(id events.WaterSourceID) AccountName {
	return f.name("water-source", string(id), func() AccountName { return WaterSourceAccount(id) })
}

func (f *fold) name(class, id string, build func() AccountName) AccountName {
	k := nameKey{class, id}
	n, ok := f.names[k]
	if !ok {
		n = build()
		f.names[k] = n
	}
	return n
}

func (f *fold) find(code reports.Code, e *reports.Entry, format string, args ...any) {
	finding := reports.NewFinding(code, e.Truck, e.Occurred, e.Positions, format, args...)
	finding.Job = e.Job
	f.account.Findings = append(f.account.Findings, finding)
}

// noteKey identifies a finding that is made once a day and cites all it rests on.
type noteKey struct {
	code    reports.Code
	subject string
	job     events.JobID
	day     int64
}

// findDaily finds the same thing once for each local day of the truck's clock, job
// and subject, and adds the further entries of the day to what it cites.
func (f *fold) findDaily(code reports.Code, e *reports.Entry, subject, format string, args ...any) {
	k := noteKey{code, subject, e.Job, (e.Occurred.UnixMS + int64(e.Occurred.OffsetMinutes)*60_000) / dayMS}
	if i, ok := f.notes[k]; ok {
		finding := &f.account.Findings[i]
		finding.Cites = append(finding.Cites, e.Positions...)
		return
	}
	f.notes[k] = len(f.account.Findings)
	f.find(code, e, format, args...)
}

func (f *fold) unknown(e *reports.Entry, register events.Register, key, consequence string) {
	f.findDaily(reports.UnknownReference, e, string(register)+key,
		"the register has no %s %s at that time; %s", register, key, consequence)
}

// litres shows millilitres as litres, or grams as kilograms, to the nearest whole.
func litres(ml int64) string { return reports.Decimal(ml, 3, 0) }

func (f *fold) used(p events.Purpose) AccountName {
	return f.name("used", string(p), func() AccountName { return UsedAccount(p) })
}
