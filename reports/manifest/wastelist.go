package manifest

import (
	"slices"
	"strings"
)

// Waste is an entry of the List of Wastes (Commission Decision 2000/532/EC): its code,
// with an asterisk where it is hazardous, its wording, and the other entry of its
// mirror pair, where the two tell the same waste with and without hazardous substances.
type Waste struct{ Code, Wording, Mirror string }

// Wastes lists the entries of the List of Wastes that spoil from excavation and
// cleaning usually falls under, in its own wording. It is no choice among them: which
// of a mirror pair a waste is takes an assessment.
func Wastes() []Waste {
	return []Waste{
		{"16 10 01*", "aqueous liquid wastes containing hazardous substances", "16 10 02"},
		{"16 10 02", "aqueous liquid wastes other than those mentioned in 16 10 01", "16 10 01*"},
		{"17 05 03*", "soil and stones containing hazardous substances", "17 05 04"},
		{"17 05 04", "soil and stones other than those mentioned in 17 05 03", "17 05 03*"},
		{"17 05 05*", "dredging spoil containing hazardous substances", "17 05 06"},
		{"17 05 06", "dredging spoil other than those mentioned in 17 05 05", "17 05 05*"},
		{"19 08 02", "waste from desanding", ""},
		{"20 03 04", "septic tank sludge", ""},
		{"20 03 06", "waste from sewage cleaning", ""},
	}
}

// WasteOf returns the entry of a code, however it is spaced and with or without its
// asterisk; ok is false when the list here does not have it.
func WasteOf(code string) (w Waste, ok bool) {
	list := Wastes()
	i := slices.IndexFunc(list, func(w Waste) bool { return plainCode(w.Code) == plainCode(code) })
	if i < 0 || strings.TrimSpace(code) == "" {
		return Waste{}, false
	}
	return list[i], true
}
