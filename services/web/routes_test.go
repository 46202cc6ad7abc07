package web_test

import (
	"context"
	"go/ast"
	"go/parser"
	"go/token"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/services/access"
)

// who says in full who may ask which page. y: answered; -: refused; in: led to sign in. A route that is not in it fails the test: add its line,
// and where its path has parts in braces or needs a query, what to ask for to the examples below.
const who = `
route                           nobody truck crew yard office officer administrator
GET /static/                    y      y     y    y    y      y       y
GET /{$}                        y      y     y    y    y      y       y
/                               y      y     y    y    y      y       y
GET /sign-in                    y      y     y    y    y      y       y
POST /sign-in                   y      y     y    y    y      y       y
GET /sign-in/elsewhere          y      y     y    y    y      y       y
GET /sign-in/return             y      y     y    y    y      y       y
POST /sign-out                  y      y     y    y    y      y       y
GET /begin                      y      y     y    y    y      y       y
POST /begin                     y      y     y    y    y      y       y
GET /display                    y      y     y    y    y      y       y
POST /display                   y      y     y    y    y      y       y
GET /yard                       in     -     y    y    y      y       y
GET /yard/live                  -      -     y    y    y      y       y
GET /reports                    in     -     y    y    y      y       y
GET /reports/{name}             in     -     y    y    y      y       y
GET /reports/{name}/line        in     -     y    y    y      y       y
GET /office                     in     -     -    -    y      -       y
GET /office/invoice             in     -     -    -    y      -       y
GET /office/what-if             in     -     -    -    y      -       y
GET /office/issue               in     -     -    -    y      -       y
POST /office/issue              -      -     -    -    y      -       y
GET /office/issued              in     -     -    -    y      -       y
GET /office/issued/{number}     in     -     -    -    y      -       y
GET /paper                          in     y     y    y    y      -       y
GET /paper/day.xlsx                 in     y     y    y    y      -       y
GET /paper/dockets.xlsx             in     y     y    y    y      -       y
POST /paper                         -      y     y    y    y      -       y
GET /paper/look                     in     y     y    y    y      -       y
POST /paper/record                  -      y     y    y    y      -       y
GET /register                       in     -     y    y    y      y       y
GET /register/{kind}                in     -     y    y    y      y       y
GET /register/{kind}/{key}          in     -     y    y    y      y       y
GET /register/{kind}/-new           in     -     -    -    y      -       y
GET /register/{kind}/{key}/revise   in     -     -    -    y      -       y
POST /register/{kind}/-preview      -      -     -    -    y      -       y
POST /register/{kind}/-record       -      -     -    -    y      -       y
GET /register/-all.xlsx             in     -     y    y    y      y       y
GET /register/-all.zip              in     -     y    y    y      y       y
GET /register/{kind}/-all.yaml      in     -     y    y    y      y       y
POST /register/-hand-in             -      -     -    -    y      -       y
GET /register/-look                 in     -     -    -    y      -       y
POST /register/-load                -      -     -    -    y      -       y
GET /yard/day                       in     -     y    y    y      y       y
GET /yard/today                     in     -     y    y    y      y       y
GET /audit                          y      y     y    y    y      y       y
GET /audit/consignments             in     -     -    -    y      y       y
GET /audit/export/consignments      in     -     -    -    y      y       y
GET /audit/consignments/{number}    in     -     -    -    y      y       y
GET /audit/event/{position}         in     -     -    -    y      y       y
GET /audit/findings                 in     -     -    -    y      y       y
GET /audit/findings/answer          in     -     -    -    y      y       y
POST /audit/findings/answer         -      -     -    -    y      -       y
GET /audit/balance                  in     -     -    -    y      y       y
GET /audit/changes                  in     -     -    -    y      y       y
GET /me                         in     -     y    y    y      y       y
POST /me/password               -      -     y    y    y      y       y
POST /me/end                    -      -     y    y    y      y       y
GET /people                     in     -     -    -    -      -       y
POST /people/user               -      -     -    -    -      -       y
POST /people/unlock             -      -     -    -    -      -       y
POST /people/token              -      -     -    -    -      -       y
POST /people/revoke             -      -     -    -    -      -       y
`

// examples are what is asked for where the route itself can not be: of the truck TM-01, which crews have.
func examples() map[string]string {
	return map[string]string{
		"GET /static/":                      "/static/spoilbook.css",
		"GET /{$}":                          "/",
		"/":                                 "/nowhere",
		"GET /office/issued/{number}":       "/office/issued/none",
		"GET /yard/day":                     "/yard/day?truck=TM-01&day=2026-10-14",
		"GET /audit/consignments/{number}":  "/audit/consignments/none",
		"GET /audit/event/{position}":       "/audit/event/1",
		"GET /register/{kind}":              "/register/truck",
		"GET /register/{kind}/{key}":        "/register/truck/TM-01",
		"GET /register/{kind}/-new":         "/register/truck/-new",
		"GET /register/{kind}/{key}/revise": "/register/truck/TM-01/revise",
		"POST /register/{kind}/-preview":    "/register/truck/-preview",
		"POST /register/{kind}/-record":     "/register/truck/-record",
		"GET /register/{kind}/-all.yaml":    "/register/truck/-all.yaml",
		"GET /reports/{name}":               "/reports/water" + october + "&truck=TM-01",
		"GET /reports/{name}/line":          "/reports/water/line" + october + "&truck=TM-01&line=none",
	}
}

// routes returns every pattern that the code of this package hands to a mux.
func routes(t *testing.T) []string {
	t.Helper()
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		tree, err := parser.ParseFile(token.NewFileSet(), f.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			if s, ok := call.Fun.(*ast.SelectorExpr); ok && (s.Sel.Name == "Handle" || s.Sel.Name == "HandleFunc") && len(call.Args) == 2 {
				pattern, ok := call.Args[0].(*ast.BasicLit)
				if !ok {
					t.Errorf("%s: a route whose pattern is not written out can not be found by this test", f.Name())
					return true
				}
				text, err := strconv.Unquote(pattern.Value)
				if err != nil {
					t.Error(err)
				}
				found = append(found, text)
			}
			return true
		})
	}
	return found
}

// asked sends a request for a route as somebody, and returns the answer.
func (r *rig) asked(route string, as access.Identity, header http.Header) *http.Response {
	r.t.Helper()
	method, target, ok := strings.Cut(route, " ")
	if !ok {
		method, target = http.MethodGet, route
	}
	if at, ok := examples()[route]; ok {
		target = at
	}
	// What goes on for ever is ended; its answer has begun by then.
	ctx, cancel := context.WithTimeout(access.With(r.t.Context(), as), 20*time.Second)
	if strings.HasSuffix(target, "/live") {
		cancel()
	}
	defer cancel()
	req := httptest.NewRequestWithContext(ctx, method, "http://yard.example"+target, strings.NewReader(""))
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for name, values := range header {
		req.Header[name] = values
	}
	w := httptest.NewRecorder()
	r.pages.ServeHTTP(w, req)
	return w.Result()
}

func TestEveryRoleAndPage(t *testing.T) {
	r := newRig(t, true)
	lines := strings.Split(strings.TrimSpace(who), "\n")
	roles := strings.Fields(lines[0])[1:]
	if len(roles) != len(access.Roles())+1 {
		t.Fatalf("the table has %d roles, there are %d and nobody", len(roles), len(access.Roles()))
	}
	listed := map[string]bool{}
	for _, line := range lines[1:] {
		cells := strings.Fields(line)
		route := strings.Join(cells[:len(cells)-len(roles)], " ")
		listed[route] = true
		for k, want := range cells[len(cells)-len(roles):] {
			as := access.Identity{Name: "x", Role: access.Role(roles[k])}
			switch roles[k] {
			case "nobody":
				as = access.Identity{}
			case "truck", "crew":
				as.Trucks = []events.TruckID{"TM-01"}
			}
			res := r.asked(route, as, nil)
			got := "y"
			switch {
			case res.StatusCode == http.StatusForbidden, res.StatusCode == http.StatusUnauthorized && want != "y":
				got = "-"
			case strings.HasPrefix(res.Header.Get("Location"), "/sign-in?to="):
				got = "in"
			}
			if got != want {
				t.Errorf("%s as %s: %s (%s), want %s", route, roles[k], got, res.Status, want)
			}
		}
	}
	found := routes(t)
	if len(found) < 20 {
		t.Fatalf("only %d routes were found: %v", len(found), found)
	}
	for _, route := range found {
		if !listed[route] {
			t.Errorf("%q is not in the table: say in routes_test.go who may ask it", route)
		}
	}
	for route := range listed {
		if !slices.Contains(found, route) {
			t.Errorf("%q is in the table and no route", route)
		}
	}
}

// No form of a page is taken that another site made a browser send, whoever is signed in; the same form from here is.
func TestFormsOfOtherSitesAreRefused(t *testing.T) {
	r := newRig(t, true)
	admin := access.Identity{Name: "x", Role: access.Administrator}
	posts := 0
	for _, route := range routes(t) {
		if !strings.HasPrefix(route, "POST ") {
			continue
		}
		posts++
		for _, h := range []http.Header{{"Origin": {"https://elsewhere.example"}}, {"Origin": {"null"}}, {"Sec-Fetch-Site": {"cross-site"}}, {"Sec-Fetch-Site": {"same-site"}},
			{"Origin": {"http://yard.example"}, "Sec-Fetch-Site": {"cross-site"}}} {
			if res := r.asked(route, admin, h); res.StatusCode != http.StatusForbidden {
				t.Errorf("%s with %v: %s", route, h, res.Status)
			}
		}
		for _, h := range []http.Header{{"Origin": {"http://yard.example"}}, {"Sec-Fetch-Site": {"same-origin"}}} {
			if res := r.asked(route, admin, h); res.StatusCode == http.StatusForbidden {
				t.Errorf("%s with %v: %s", route, h, res.Status)
			}
		}
	}
	if posts < 8 {
		t.Errorf("only %d forms were found", posts)
	}
}
