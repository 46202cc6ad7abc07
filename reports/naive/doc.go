// Package naive is a second, deliberately slow and simple implementation of the
// two folds that the reports rest on: what a truck's tanks held (package tank)
// and what its time was spent on (package timesplit). It is written from the
// rules and shares no code with either, so that the tests of this package can
// ask two independent authors the same question and compare their answers on
// thousands of generated days.
//
// Nothing outside tests may import it. It is no faster path, no fallback and no
// reference for figures that are shown to anybody.
//
// It differs from the production folds in every choice that could hide a
// mistake. The tank is kept in exact rationals, is folded again from the first
// entry after every entry, and is rounded only where it is compared. The time
// is cut at every instant that any entry mentions, and for each of the intervals
// between them the activity is decided anew by asking the rules in their order,
// first match wins. For example a shift from 06:00 to 07:00 with a standby from
// 06:10 to 06:30 and a load from 06:20 to 06:40 gives the elementary intervals
// [06:00 06:10) [06:10 06:20) [06:20 06:30) [06:30 06:40) [06:40 07:00), and the
// third is asked: stopped? no; loading? yes.
//
// Where the rules leave a choice open this package makes the one that production
// documents. How far instruments can be trusted is not asked: that a gauge
// contradicts the account is told to it. A level it turns into a volume by itself.
//
// The days have loads refused at the gate and spoil given back in part, whole, beyond
// what was tipped and of tips that never were; gauges within their tolerance and
// beyond it; a truck whose capacity the register changes, and whose successor carries
// on under the same number plate; and another truck with that plate, whose entries are
// its own.
//
// Two exact amounts that production keeps in whole grams differ by its rounding
// alone, for which there are two bounds:
//
//   - One entry, from the same contents: a load's phases are rounded to the
//     nearest gram (half a gram each, and half for the mass they are rounded
//     from), and a part taken from a parcel is one gram or less from its exact
//     share for each division by largest remainder on the way to it.
//   - The whole history: an error of e grams in a parcel stays in that parcel,
//     scaled by what is left of it, and shifts the others by no more than e
//     together, because the shares of a removal sum to the removal whatever the
//     contents are. Errors thus add up over the operations since the tank was last
//     empty, and vanish when it is emptied. What a facility gives back brings the
//     errors back that its tip took along.
package naive
