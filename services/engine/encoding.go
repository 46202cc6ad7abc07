package engine

import (
	"compress/gzip"
	"compress/zlib"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/ClickHouse/ch-go/compress"
)

// decodeBody undoes the compression of a request's body: that of HTTP, and
// that of ClickHouse when the URL has decompress=1.
func decodeBody(r *http.Request, body io.Reader) (io.Reader, error) {
	switch encoding := strings.ToLower(r.Header.Get("Content-Encoding")); encoding {
	case "", "identity":
	case "gzip":
		z, err := gzip.NewReader(body)
		if err != nil {
			return nil, exceptionf(codeUnfinished, "read the gzip body: %v (ABORTED)", err)
		}
		body = z
	case "deflate":
		z, err := zlib.NewReader(body)
		if err != nil {
			return nil, exceptionf(codeUnfinished, "read the deflate body: %v (ABORTED)", err)
		}
		body = z
	default:
		return nil, exceptionf(codeNotImplemented, "The content encoding %q is not supported; use gzip. (NOT_IMPLEMENTED)", encoding)
	}
	if isOn(r.URL.Query().Get("decompress")) {
		counted := &countingReader{reader: body}
		body = &blockReader{source: counted, decoder: compress.NewReader(counted)}
	}
	return body, nil
}

type countingReader struct {
	reader io.Reader
	count  int64
}

func (c *countingReader) Read(p []byte) (int, error) {
	n, err := c.reader.Read(p)
	c.count += int64(n)
	return n, err
}

// blockReader undoes ClickHouse's own compression. Its decoder reports the same
// error for an end between blocks and for one after the head of a block; only
// the first is the end of the data.
type blockReader struct {
	source  *countingReader
	decoder *compress.Reader
	whole   int64 // bytes of source that were decoded
}

func (b *blockReader) Read(p []byte) (int, error) {
	n, err := b.decoder.Read(p)
	switch {
	case err == nil:
		b.whole = b.source.count
	case errors.Is(err, io.EOF) && b.source.count == b.whole:
		return n, io.EOF
	case errors.Is(err, io.EOF):
		err = fmt.Errorf("the last compressed block is cut short: %w", io.ErrUnexpectedEOF)
	}
	return n, err
}

// contentType is that of ClickHouse for a format.
func contentType(format string) string {
	f := strings.ToLower(format)
	switch {
	case strings.Contains(f, "eachrow") && strings.HasPrefix(f, "json"), f == "ndjson", f == "jsonlines":
		return "application/x-ndjson; charset=UTF-8"
	case strings.HasPrefix(f, "json"):
		return "application/json; charset=UTF-8"
	case strings.HasPrefix(f, "csv"):
		return "text/csv; charset=UTF-8; header=absent"
	case strings.HasPrefix(f, "tabseparated"), strings.HasPrefix(f, "tsv"):
		return "text/tab-separated-values; charset=UTF-8"
	case f == "xml":
		return "application/xml; charset=UTF-8"
	case f == "native", strings.HasPrefix(f, "rowbinary"), f == "parquet", f == "arrow", f == "orc", f == "rawblob":
		return "application/octet-stream"
	}
	return "text/plain; charset=UTF-8"
}
