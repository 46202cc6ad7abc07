package engine

import (
	"strings"

	"github.com/ClickHouse/ch-go/proto"
)

// helloQuery is the first request of clickhouse-go over HTTP. It decodes the
// answer at the newest protocol revision it knows, and everything after it at
// the revision in the answer.
const helloQuery = "SELECT displayName(), version(), revision(), timezone()"

// isHello reports whether the client expects the answer of hello.
func isHello(c call) bool {
	return c.clientVersion && strings.TrimSpace(c.sql) == helloQuery
}

// hello answers with revision 0, because the Native blocks that the engine
// writes are those of revision 0: without block info or custom serialization.
func (e *Engine) hello(revision int) (*answer, error) {
	var name, version, zone proto.ColStr
	var number proto.ColUInt32
	name.Append(e.hostname)
	version.Append(e.version)
	number.Append(0)
	zone.Append(e.timezone)
	columns := proto.Input{
		{Name: "displayName()", Data: &name},
		{Name: "version()", Data: &version},
		{Name: "revision()", Data: &number},
		{Name: "timezone()", Data: &zone},
	}
	var buffer proto.Buffer
	block := proto.Block{Info: proto.BlockInfo{BucketNum: -1}, Columns: len(columns), Rows: 1}
	if err := block.EncodeBlock(&buffer, revision, columns); err != nil {
		return nil, exceptionf(codeUnknownException, "encode the handshake: %v", err)
	}
	return newAnswer(buffer.Buf, "Native"), nil
}
