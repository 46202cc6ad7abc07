package sim

import "time"

// profile says how much goes wrong in one run. Each seed has some faults often,
// some rarely and some never, so that rare ones are not drowned by frequent ones.
type profile struct {
	trucks  int
	every   time.Duration // between two events of a truck
	batch   int           // messages a block
	poll    time.Duration // longest wait of the intake for a batch to fill
	loss    float64       // a message on a link, each way
	twice   float64       // a message on a link
	late    float64       // a message on a link, by minutes
	offline float64       // periods a truck and day
	crash   float64       // of a truck, a day
	torn    float64       // a crash of a truck between writing an event and syncing it
	jump    float64       // of a clock, a day
	diskFul float64       // of a truck or the hub, a day

	brokerCrash   float64 // a day
	brokerReplace bool    // its storage is lost once
	unanswered    float64 // a publish of a desk that is stored without an answer
	again         float64 // a fetch that begins again after the last acknowledgement the broker remembers
	brokerTorn    float64 // a crash between writing a batch and syncing it

	storeCrash  float64 // a day
	storeRefuse float64 // a request
	storeLost   float64 // an insert that is carried out without an answer
	storeLate   float64 // an insert that is carried out after its caller gave up
	storeSlow   float64 // an insert
	storeTorn   float64 // a crash while an insert is written
	hubCrash    float64 // of the intake, at a step
	hubKill     float64 // of the intake, a day, at any time
	powerCut    float64 // of broker, store and intake, a day

	foreign   float64 // messages of others a day: unreadable, or on a wrong subject
	otherBody float64 // an event sent once more with other content
	settle    float64 // looks of the yard at a quarantined message, a day
	hired     float64 // trucks a day that work before the register knows them, or soon after
}

// drawProfile rolls the dice for one run.
func drawProfile(w *world, o Options) profile {
	some := func(most float64) float64 {
		if w.rng.IntN(5) < 2 {
			return 0
		}
		return w.rng.Float64() * most
	}
	p := profile{
		trucks: o.Trucks, every: w.between(6*time.Minute, 40*time.Minute),
		batch: 1 + w.rng.IntN(64), poll: w.between(20*time.Millisecond, 10*time.Minute),
		loss: some(0.3), twice: some(0.2), late: some(0.2), offline: some(1.5), crash: some(6), torn: some(0.03), jump: some(3), diskFul: some(2),
		brokerCrash: some(6), unanswered: some(0.2), again: some(0.8), brokerTorn: some(0.005),
		storeCrash: some(6), storeRefuse: some(0.05), storeLost: some(0.1), storeLate: some(0.05), storeSlow: some(0.05), storeTorn: some(0.005),
		hubCrash: some(0.02), hubKill: some(20), powerCut: some(2),
		foreign: some(40), otherBody: some(0.05), hired: some(5),
	}
	if p.trucks == 0 {
		p.trucks = 2 + w.rng.IntN(4)
	}
	p.settle = some(30)
	// Where others use a truck's numbers, a receipt can cover a number of which the
	// broker has lost the truck's own event: no promise is made for that.
	p.brokerReplace = p.otherBody == 0 && w.chance(0.3)
	return p
}

// scheduled runs do about rate times a day while faults happen.
func (w *world) scheduled(rate float64, do func()) {
	if rate <= 0 {
		return
	}
	var next func()
	next = func() {
		if w.calm {
			return
		}
		do()
		w.after(w.about(time.Duration(float64(24*time.Hour)/rate)), next)
	}
	w.after(w.about(time.Duration(float64(24*time.Hour)/rate)), next)
}
