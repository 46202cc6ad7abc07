package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/gin-gonic/gin"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// RowWriter writes recorded events as rows of a file.
type RowWriter interface {
	Write(page []ledger.Stored) error
	Close() error
}

// RowFormat is a way to write events as rows.
type RowFormat struct {
	Name, MediaType string // "csv" or "parquet"
	Columns         string // what stands in each, for the description
	New             func(w io.Writer) (RowWriter, error)
}

// maxRowExports is how many files of rows are written at a time.
const maxRowExports = 2

type rowsInput struct {
	After  uint64 `query:"after" doc:"only positions above this one; give the X-Ledger-Position of the last file to get what came since" example:"0"`
	UpTo   uint64 `query:"at-position" doc:"only positions up to this one; 0 is the head"`
	Truck  string `query:"truck" doc:"only this truck"`
	Job    string `query:"job" doc:"only this job"`
	Kind   string `query:"kind" doc:"only this kind, such as load.collected"`
	Source string `query:"source" doc:"only this source, such as /truck/TM-01"`
}

func (s *service) addRows(a huma.API) {
	gate := newGate(maxRowExports, s.Limits.Queue)
	for _, f := range s.Rows {
		huma.Register(a, huma.Operation{OperationID: "events-" + f.Name, Method: http.MethodGet, Path: "/v1/events." + f.Name, Tags: []string{"events"},
			Summary: "Recorded events as rows, for other tools",
			Description: "A row for each event, in the order of positions. It is answered once the whole file is there: a ledger of many millions of events is fetched in parts, " +
				"by after and at-position. The same query between the same positions gives the same rows for ever. What is not for the role of who asks, such as rate cards, is left out. Columns:\n\n" + f.Columns},
			func(ctx context.Context, in *rowsInput) (*huma.StreamResponse, error) {
				return s.rows(ctx, gate, f, in)
			})
	}
}

func (s *service) rows(ctx context.Context, gate *gate, f RowFormat, in *rowsInput) (*huma.StreamResponse, error) {
	leave, err := gate.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	q := ledger.EventQuery{After: in.After, Truck: events.TruckID(in.Truck), Job: events.JobID(in.Job), Kind: events.Kind(in.Kind), Source: events.Source(in.Source)}
	header := map[string]string{"Content-Type": f.MediaType}
	return s.sendWhole(ctx, "events."+f.Name, header, func(w io.Writer) error {
		rows, err := f.New(w)
		if err != nil {
			return err
		}
		position, err := s.Ledger.Walk(ctx, q, in.UpTo, func(page []ledger.Stored) error {
			seen := page[:0]
			for i := range page {
				if maySee(ctx, &page[i]) {
					seen = append(seen, page[i])
				}
			}
			return rows.Write(seen)
		})
		if err != nil {
			return err
		}
		header["X-Ledger-Position"] = fmt.Sprint(position)
		return rows.Close()
	})
}

// describeRows says what the files are.
func (s *service) describeRows(d *huma.OpenAPI) {
	for _, f := range s.Rows {
		schema := &huma.Schema{Type: "string"}
		if f.Name != "csv" {
			schema.Format = "binary"
		}
		media, _, _ := strings.Cut(f.MediaType, ";")
		a := answer("The rows.", media, schema, nil)
		a.Headers = map[string]*huma.Param{"X-Ledger-Position": {Description: "the last position that the rows cover", Schema: &huma.Schema{Type: "integer"}}}
		d.Paths["/v1/events."+f.Name].Get.Responses["200"] = a
	}
}

// streams answers with the description of the broker's streams.
func (s *service) streams(g *gin.Context) {
	if s.Streams == nil {
		writeProblem(g, asProblem(g.Request.Context(), ledger.Fail(ledger.NotFound, "this server does not describe its streams")))
		return
	}
	g.Data(http.StatusOK, "application/json", s.Streams)
}
