package sheets

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
)

// maxSheetName is the longest name of a sheet, in UTF-16 units.
const maxSheetName = 31

// names gives out names that a workbook accepts and that differ even when case is ignored.
type names struct{ taken map[string]bool }

// newNames keeps reserved names from being given out. "History" is one that spreadsheets keep for themselves.
func newNames(reserved ...string) *names {
	n := &names{taken: map[string]bool{"history": true}}
	for _, r := range reserved {
		n.taken[strings.ToLower(r)] = true
	}
	return n
}

// sheet returns a sheet name as near to wanted as is allowed, "Name (2)" when that is taken.
func (n *names) sheet(wanted string) string {
	base := cleanSheetName(wanted)
	for i := 1; ; i++ {
		suffix := ""
		if i > 1 {
			suffix = fmt.Sprintf(" (%d)", i)
		}
		name := strings.TrimRight(cutUTF16(base, maxSheetName-len(suffix)), " '") + suffix
		if key := strings.ToLower(name); !n.taken[key] {
			n.taken[key] = true
			return name
		}
	}
}

// cleanSheetName replaces what a sheet name may not hold.
func cleanSheetName(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case strings.ContainsRune(`:\/?*[]`, r):
			return '-'
		case !unicode.IsGraphic(r) || r == unicode.ReplacementChar:
			return ' '
		}
		return r
	}, s)
	s = strings.Trim(s, " '")
	if s == "" {
		return "Table"
	}
	return s
}

// cutUTF16 returns the longest start of s that takes at most limit UTF-16 units and splits no character.
func cutUTF16(s string, limit int) string {
	units := 0
	for i, r := range s {
		units += utf16Len(r)
		if units > limit {
			return s[:i]
		}
	}
	return s
}

// utf16Len is the number of UTF-16 units of r; what is no character counts as the replacement character that will be written for it.
func utf16Len(r rune) int {
	if n := utf16.RuneLen(r); n > 0 {
		return n
	}
	return 1
}

// rangeName returns the defined name of the rows on a sheet, or of the total of a column on it: letters, digits and underscores, ending so that it
// can not read as a cell.
func (n *names) rangeName(sheet string) string { return n.defined(sheet, "_rows") }

func (n *names) totalName(sheet, key string) string { return n.defined(sheet, "_total_"+key) }

func (n *names) defined(sheet, ending string) string {
	base := strings.Map(func(r rune) rune {
		if r < unicode.MaxASCII && (unicode.IsLetter(r) || unicode.IsDigit(r)) {
			return r
		}
		return '_'
	}, sheet)
	base = strings.Trim(base, "_")
	if base == "" || !unicode.IsLetter(rune(base[0])) {
		base = "Table_" + base
	}
	for i := 1; ; i++ {
		name := base + ending
		if i > 1 {
			name = fmt.Sprintf("%s%s_%d", base, ending, i)
		}
		if key := strings.ToLower(name); !n.taken[key] {
			n.taken[key] = true
			return name
		}
	}
}

// quoteSheet returns a sheet name as formulas and references write it.
func quoteSheet(name string) string { return "'" + strings.ReplaceAll(name, "'", "''") + "'" }

// maxCellChars is the longest text of a cell, in UTF-16 units.
const maxCellChars = 32767

// cellText returns s as a cell can hold it: line ends as one newline, no control characters, and what is too long cut with a mark that says
// so and where the whole text is.
func cellText(s string) string {
	s = cleanText(s)
	if len(s) <= maxCellChars { // bytes are never fewer than UTF-16 units
		return s
	}
	units := 0
	for _, r := range s {
		units += utf16Len(r)
	}
	if units <= maxCellChars {
		return s
	}
	mark := fmt.Sprintf(" […cut: the whole text has %d characters and is in the CSV and JSON exports]", units)
	return cutUTF16(s, maxCellChars-len(mark)) + mark // len counts bytes, so the sum is within the limit
}

// cleanText replaces what XML and cells can not hold.
func cleanText(s string) string {
	clean := true
	for i := range len(s) {
		if s[i] < ' ' && s[i] != '\n' || s[i] >= 0x7f {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	s = strings.ReplaceAll(s, "\r\n", "\n")
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\r':
			return '\n'
		case r == '\t':
			return ' '
		case r == '\n':
			return r
		case r < ' ' || r == 0x7f || r == 0xfffe || r == 0xffff:
			return unicode.ReplacementChar
		}
		return r
	}, s)
}
