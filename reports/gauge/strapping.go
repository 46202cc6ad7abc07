package gauge

import (
	"fmt"
	"slices"
	"sort"

	"spoilbook/reports"
)

// Mark is one line of a strapping table: what the tank holds at a level.
type Mark struct{ LevelMM, VolumeML int64 }

// Strapping is a table of levels and volumes, made by filling a tank in known
// steps. Between two marks the volume is interpolated along a straight line, which
// the maker of the table keeps good enough by the number of marks.
type Strapping struct{ marks []Mark }

// maxMarks is far above what any table of a truck's tank has.
const maxMarks = 10_000

// NewStrapping makes a table of 2 to 10,000 marks in order of level. Levels must
// rise from mark to mark and volumes must not fall or be negative; a table that
// breaks this has a mistake, which interpolation would hide.
func NewStrapping(marks []Mark) (*Strapping, error) {
	if len(marks) < 2 || len(marks) > maxMarks {
		return nil, fmt.Errorf("strapping table of %d marks: give 2 to %d, the lowest and the highest level among them", len(marks), maxMarks)
	}
	for i, m := range marks {
		if m.VolumeML < 0 {
			return nil, fmt.Errorf("strapping table, mark %d: the volume %d mL is negative", i+1, m.VolumeML)
		}
		if i == 0 {
			continue
		}
		if before := marks[i-1]; m.LevelMM <= before.LevelMM || m.VolumeML < before.VolumeML {
			return nil, fmt.Errorf("strapping table, mark %d: %d mm with %d mL after %d mm with %d mL; levels must rise and volumes must not fall",
				i+1, m.LevelMM, m.VolumeML, before.LevelMM, before.VolumeML)
		}
	}
	return &Strapping{slices.Clone(marks)}, nil
}

// VolumeML returns the volume at a level, rounded to the millilitre. It returns
// ErrOutside, wrapped, for a level below the first mark or above the last.
func (s *Strapping) VolumeML(levelMM int64) (int64, error) {
	first, last := s.marks[0], s.marks[len(s.marks)-1]
	if levelMM < first.LevelMM || levelMM > last.LevelMM {
		return 0, fmt.Errorf("volume at level %d mm by a table from %d to %d mm: %w", levelMM, first.LevelMM, last.LevelMM, ErrOutside)
	}
	i := sort.Search(len(s.marks), func(i int) bool { return levelMM <= s.marks[i].LevelMM })
	high := s.marks[i]
	if levelMM == high.LevelMM {
		return high.VolumeML, nil
	}
	low := s.marks[i-1]
	return low.VolumeML + reports.MulDiv(high.VolumeML-low.VolumeML, levelMM-low.LevelMM, high.LevelMM-low.LevelMM), nil
}
