package tank

import "spoilbook/reports"

// Level is what the two tanks hold from an entry on until the next, by the account. Entries that occurred at the same time give several; the
// last of them is what is held from then on.
type Level struct {
	Entry             *reports.Entry // of the journal; not to be changed
	DebrisML          int64
	DebrisToleranceML int64 // two standard uncertainties of DebrisML
	FreshML           int64
}

// noteLevel notes what the tanks hold after an entry that can change it.
func (f *fold) noteLevel(e *reports.Entry) {
	f.account.Levels = append(f.account.Levels, Level{Entry: e, DebrisML: f.held.volumeML(), DebrisToleranceML: f.heldDoubt().volume.root(), FreshML: f.freshML})
}
