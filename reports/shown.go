package reports

import "spoilbook/events"

// Heading returns what people read above a column: "Solids (kg)", "Started (Europe/Dublin)".
func (c *Column) Heading(zone string) string {
	unit := c.Unit
	if c.Kind == Instant {
		unit = zone
	}
	if unit == "" {
		return c.Title
	}
	return c.Title + " (" + unit + ")"
}

// Shown returns a cell as people read it, with the decimals and the precision of its column, times in the period's
// zone: "3,304.35", "2026-10-05 07:40", "7:45", "Yes". An empty cell gives an empty text.
func (c *Column) Shown(cell Cell, period Period) string {
	if cell.Empty {
		return ""
	}
	switch c.Kind {
	case Number:
		return Decimal(cell.Int, c.Scale, c.Decimals)
	case Instant:
		return period.Local(events.Time{UnixMS: cell.Int}).Format("2006-01-02 15:04")
	case Duration:
		return Clock(cell.Int)
	case YesNo:
		return yesNo(cell.Int)
	}
	return cell.Text
}

func yesNo(v int64) string {
	if v != 0 {
		return "Yes"
	}
	return "No"
}
