package api_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"spoilbook/services/api"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

const october = "from=2026-10-01&to=2026-10-31&tz=Europe/Dublin"

// recordDays records the register and the first days of the invented month.
func (r *rig) recordDays(days int) {
	r.t.Helper()
	r.record()
	month, err := demo.Build()
	r.must(err)
	for _, b := range month.Batches[:days+1] {
		msgs, err := ledger.MessagesOf(b.Events)
		r.must(err)
		var text strings.Builder
		for _, m := range msgs {
			text.Write(m.Body)
			text.WriteByte('\n')
		}
		if v := r.submit(lines, text.String()); v.Quarantined != 0 {
			r.t.Fatalf("%s: %+v", b.Note, v)
		}
	}
}

func TestReportsInEveryFormat(t *testing.T) {
	r := newRig(t)
	r.recordDays(4)
	var list api.ReportList
	r.call("GET", "/v1/reports", "", "", 200).into(t, &list)
	if fmt.Sprint(list.Reports) != fmt.Sprint(ledger.ReportNames()) || len(list.Formats) != 5 {
		t.Errorf("reports %+v", list)
	}
	for _, name := range list.Reports {
		path := "/v1/reports/" + name + "?" + october
		var document struct {
			Report     string
			Provenance struct{ Position uint64 }
			Tables     []struct {
				Name string
				Rows []any
			}
		}
		a := r.call("GET", path, "", "", 200)
		a.into(t, &document)
		rows := 0
		for _, table := range document.Tables {
			rows += len(table.Rows)
		}
		if document.Report != name || fmt.Sprint(document.Provenance.Position) != a.Header.Get("X-Ledger-Position") || rows == 0 && name != "stops" {
			t.Errorf("%s: %.200s", name, a.body)
		}
		wantMedia := map[string]string{"xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "zip": "application/zip",
			"csv": "text/csv; charset=utf-8", "text": "text/plain; charset=utf-8", "json": "application/json"}
		for _, format := range list.Formats {
			a := r.call("GET", path+"&format="+format, "", "", 200)
			if got := a.Header.Get("Content-Type"); got != wantMedia[format] {
				t.Errorf("%s as %s has content type %q", name, format, got)
			}
			file := fmt.Sprintf(`attachment; filename="%s-2026-10-01-2026-10-31.%s"`, name, format)
			if got := a.Header.Get("Content-Disposition"); (got == file) != (format == "xlsx" || format == "csv" || format == "zip") {
				t.Errorf("%s as %s has disposition %q", name, format, got)
			}
			if err := looksLike(format, a.body); err != nil {
				t.Errorf("%s as %s: %v", name, format, err)
			}
			if again := r.call("GET", path+"&format="+format+"&at-position="+a.Header.Get("X-Ledger-Position"), "", "", 200); !bytes.Equal(a.body, again.body) {
				t.Errorf("%s as %s differs at the same position", name, format)
			}
		}
		tables := []string{"findings"}
		for _, table := range document.Tables {
			tables = append(tables, table.Name)
		}
		for _, table := range tables {
			a := r.call("GET", path+"&format=csv&table="+url.QueryEscape(table), "", "", 200)
			if err := looksLike("csv", a.body); err != nil {
				t.Errorf("table %s of %s: %v", table, name, err)
			}
		}
	}
}

func looksLike(format string, body []byte) error {
	switch format {
	case "xlsx", "zip":
		z, err := zip.NewReader(bytes.NewReader(body), int64(len(body)))
		if err == nil && len(z.File) < 2 {
			err = fmt.Errorf("%d files", len(z.File))
		}
		return err
	case "csv":
		c := csv.NewReader(bytes.NewReader(body))
		c.FieldsPerRecord, c.Comment = -1, '#'
		_, err := c.ReadAll()
		return err
	case "json":
		if !json.Valid(body) {
			return fmt.Errorf("%.80q is not JSON", body)
		}
	case "text":
		if !strings.Contains(string(body), "Tarnmoor Groundworks") && len(body) < 200 {
			return fmt.Errorf("%.80q", body)
		}
	}
	return nil
}

func TestReportsRefused(t *testing.T) {
	r := newRig(t)
	r.recordDays(1)
	for query, want := range map[string]struct {
		status int
		code   ledger.Code
	}{
		"water?from=2026-10-01&to=2026-10-31":                     {422, ledger.BadRequest},
		"water?from=2026-10-31&to=2026-10-01&tz=Europe/Dublin":    {400, ledger.BadRequest},
		"water?from=2026-02-30&to=2026-10-01&tz=Europe/Dublin":    {422, ledger.BadRequest},
		"water?from=yesterday&to=2026-10-01&tz=Europe/Dublin":     {422, ledger.BadRequest},
		"water?from=2026-10-01&to=2026-10-31&tz=Europe/Tarnmoor":  {400, ledger.BadRequest},
		"water?from=2026-10-01&to=2026-10-31&tz=Local":            {400, ledger.BadRequest},
		"water?from=2026-10-01&to=2026-10-31&tz=../../etc/passwd": {400, ledger.BadRequest},
		"fuel?" + october:                                     {422, ledger.BadRequest},
		"water?" + october + "&format=pdf":                    {422, ledger.BadRequest},
		"water?" + october + "&format=csv&table=no":           {404, ledger.NotFound},
		"water?" + october + "&at-position=1000000":           {404, ledger.NotFound},
		"water?" + october + "&at-position=-1":                {422, ledger.BadRequest},
		"manifest?" + october + "&profile=none":               {400, ledger.BadRequest},
		"water?" + october + "&by=" + strings.Repeat("a", 81): {422, ledger.BadRequest},
	} {
		r.refused("GET", "/v1/reports/"+query, "", "", want.status, want.code)
	}
	r.config.Formats, r.config.Registry = []string{"json"}, nil
	r.serve()
	r.refused("GET", "/v1/reports/water?"+october+"&format=xlsx", "", "", 400, ledger.BadRequest)
}

func TestPostingsAndRebuild(t *testing.T) {
	r := newRig(t)
	r.recordDays(2)
	a := r.call("GET", "/v1/postings?tz=Europe/Dublin", "", "", 200)
	if a.Header.Get("Content-Type") != "text/plain; charset=utf-8" || !strings.Contains(string(a.body), "2026-10-01") {
		t.Errorf("postings: %v %.200q", a.Header, a.body)
	}
	r.refused("GET", "/v1/postings?tz=Europe/Tarnmoor", "", "", 400, ledger.BadRequest)
	r.refused("GET", "/v1/postings", "", "", 422, ledger.BadRequest)
	r.refused("GET", "/v1/postings?tz=UTC&at-position=1000000", "", "", 404, ledger.NotFound)
	var rebuilt ledger.Rebuilt
	var head api.HeadView
	r.call("POST", "/v1/rebuild", "", "", 200).into(t, &rebuilt)
	r.call("GET", "/v1/head", "", "", 200).into(t, &head)
	if rebuilt.Events == 0 || rebuilt.Events != head.Position || head.RootPosition != head.Position || rebuilt.Root != head.Root {
		t.Errorf("rebuilt %+v, head %+v", rebuilt, head)
	}
}
