package web

import (
	"net/http"
	"net/url"

	"spoilbook/events/units"
	"spoilbook/reports"
	"spoilbook/services/access"
	"spoilbook/services/tongue"
)

// manners is how somebody wants things shown: it stands in a cookie of the browser, and where it does not, the browser's language counts.
type manners struct {
	Tongue   tongue.Tongue
	Measures reports.Measures
	Look     string // "light", "dark", or empty for what the device prefers
}

const mannersCookie = "spoilbook-display"

func mannersOf(r *http.Request) manners {
	q := url.Values{}
	if c, err := r.Cookie(mannersCookie); err == nil {
		if q, err = url.ParseQuery(c.Value); err != nil {
			q = url.Values{}
		}
	}
	return mannersIn(q, r.Header.Get("Accept-Language"))
}

// mannersIn reads manners from fields; what is none of the choices is as if it was not there.
func mannersIn(q url.Values, accepted string) manners {
	m := manners{Tongue: tongue.Of(q.Get("language"), accepted), Measures: reports.Metric()}
	m.Measures.Spoil = unitIn(reports.SpoilUnits(), q.Get("spoil"))
	m.Measures.Water = unitIn(reports.WaterUnits(), q.Get("water"))
	m.Measures.Mass = unitIn(reports.MassUnits(), q.Get("mass"))
	if look := q.Get("look"); look == "light" || look == "dark" {
		m.Look = look
	}
	return m
}

// values are the fields of manners.
func (m manners) values() url.Values {
	return url.Values{"language": {m.Tongue.Code()}, "spoil": {m.Measures.Spoil.Symbol()}, "water": {m.Measures.Water.Symbol()},
		"mass": {m.Measures.Mass.Symbol()}, "look": {m.Look}}
}

// unitIn returns the unit of a symbol, the first of the list where there is none.
func unitIn(list []units.Unit, symbol string) units.Unit {
	for _, u := range list {
		if u.Symbol() == symbol {
			return u
		}
	}
	return list[0]
}

// displayPage is where one says how one wants things shown.
type displayPage struct {
	manners
	Languages          []tongue.Language
	Spoil, Water, Mass []units.Unit
	Looks              []string
	To                 string
}

func (s *site) displayRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /display", s.displayPage)
	mux.HandleFunc("POST /display", s.keepDisplay)
}

func (s *site) displayPage(w http.ResponseWriter, r *http.Request) {
	s.show(w, r, http.StatusOK, "display", "Display", displayPage{manners: mannersOf(r), Languages: tongue.Languages(), Spoil: reports.SpoilUnits(),
		Water: reports.WaterUnits(), Mass: reports.MassUnits(), Looks: []string{"", "light", "dark"}, To: localPath(r.URL.Query().Get("to"))})
}

func (s *site) keepDisplay(w http.ResponseWriter, r *http.Request) {
	if !s.formRead(w, r) {
		return
	}
	m := mannersIn(r.PostForm, r.Header.Get("Accept-Language"))
	http.SetCookie(w, &http.Cookie{Name: mannersCookie, Value: m.values().Encode(), Path: "/", MaxAge: 365 * 24 * 3600, HttpOnly: true,
		SameSite: http.SameSiteLaxMode, Secure: access.IsSecure(r)})
	http.Redirect(w, r, localPath(r.PostFormValue("to")), http.StatusSeeOther)
}

// ask adds to an address that exports a report how it is to be shown; what is the default stays out.
func (m manners) ask(q url.Values) {
	metric := reports.Metric()
	for _, u := range []struct {
		name           string
		chosen, metric units.Unit
	}{{"spoil-unit", m.Measures.Spoil, metric.Spoil}, {"water-unit", m.Measures.Water, metric.Water}, {"mass-unit", m.Measures.Mass, metric.Mass}} {
		if u.chosen != u.metric {
			q.Set(u.name, u.chosen.Name())
		}
	}
	if m.Tongue.Code() != tongue.English {
		q.Set("language", m.Tongue.Code())
	}
}
