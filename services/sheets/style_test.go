package sheets

import (
	"math"
	"strconv"
	"testing"
)

// linear returns the linear-light channels of an sRGB colour (IEC 61966-2-1).
func linear(t *testing.T, hex string) [3]float64 {
	t.Helper()
	out := [3]float64{}
	for i := range out {
		v, err := strconv.ParseUint(hex[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = math.Pow((float64(v)/255+0.055)/1.055, 2.4)
		if c := float64(v) / 255; c <= 0.04045 {
			out[i] = c / 12.92
		}
	}
	return out
}

// contrast is the ratio of WCAG 2.2, success criterion 1.4.3.
func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	luminance := func(c [3]float64) float64 { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }
	x, y := luminance(linear(t, a)), luminance(linear(t, b))
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// TestContrast holds text to 4.5 to 1 and graphics to 3 to 1 (WCAG 2.2, success criteria 1.4.3 and 1.4.11).
func TestContrast(t *testing.T) {
	for _, c := range []struct{ what, text, ground string }{
		{"title", paper, slate}, {"text", ink, paper}, {"total", ink, mist}, {"heading", slate, mist}, {"meta", quiet, paper}, {"link", link, paper},
		{"serious", alarmInk, alarmFill}, {"warning", warnInk, warnFill}, {"note", noteInk, noteFill},
	} {
		if got := contrast(t, c.text, c.ground); got < 4.5 {
			t.Errorf("%s: contrast %.2f, want 4.5", c.what, got)
		}
	}
	for _, c := range seriesColours() {
		if got := contrast(t, c, paper); got < 3 {
			t.Errorf("series colour %s: contrast %.2f, want 3", c, got)
		}
	}
}

// TestSeriesColoursDiffer simulates colour vision deficiencies of full severity with the matrices of Machado, Oliveira and Fernandes, "A
// physiologically-based model for simulation of color vision deficiency" (2009), from memory, and measures distances in CIELAB.
func TestSeriesColoursDiffer(t *testing.T) {
	visions := map[string][3][3]float64{
		"full":         {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
		"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
		"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
		"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
	}
	colours := seriesColours()
	for vision, m := range visions {
		for i := range colours {
			for j := i + 1; j < len(colours); j++ {
				want := 20.0
				if j == i+1 {
					want = 40
				}
				a, b := lab(see(m, linear(t, colours[i]))), lab(see(m, linear(t, colours[j])))
				if d := math.Hypot(math.Hypot(a[0]-b[0], a[1]-b[1]), a[2]-b[2]); d < want {
					t.Errorf("%s: %s and %s are %.1f apart, want %.0f", vision, colours[i], colours[j], d, want)
				}
			}
		}
	}
}

func see(m [3][3]float64, c [3]float64) [3]float64 {
	out := [3]float64{}
	for i := range out {
		out[i] = min(1, max(0, m[i][0]*c[0]+m[i][1]*c[1]+m[i][2]*c[2]))
	}
	return out
}

// lab converts linear sRGB to CIELAB under D65.
func lab(c [3]float64) [3]float64 {
	f := func(t float64) float64 {
		if t > 0.008856 {
			return math.Cbrt(t)
		}
		return 7.787*t + 16.0/116
	}
	x := f((0.4124*c[0] + 0.3576*c[1] + 0.1805*c[2]) / 0.9505)
	y := f(0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2])
	z := f((0.0193*c[0] + 0.1192*c[1] + 0.9505*c[2]) / 1.089)
	return [3]float64{116*y - 16, 500 * (x - y), 200 * (y - z)}
}
