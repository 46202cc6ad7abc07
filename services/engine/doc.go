// Package engine runs ClickHouse inside the process, so that one machine needs
// no database server and a cluster needs no other code.
//
// Its one idea: the engine is an [http.RoundTripper]. clickhouse-go/v2 speaks
// the ClickHouse HTTP protocol to it without a socket, and an external server
// is the same client with another address:
//
//	path, err := engine.Fetch(ctx, engine.FetchOptions{})        // once a machine
//	e, err := engine.Open(ctx, engine.Options{Dir: dir, Library: path})
//	conn, err := clickhouse.Open(&clickhouse.Options{
//		Protocol: clickhouse.HTTP,
//		Addr:     []string{"engine.local:8123"},                     // never dialled
//		TransportFunc: func(*http.Transport) (http.RoundTripper, error) {
//			return e.Transport(), nil
//		},
//	})
//
// # What a request promises
//
// A statement runs on a connection whose settings are exactly the engine's
// defaults plus those of the request: nothing an earlier request did is seen.
// An insert is stored when its whole body has been read without an error, and
// not before; the rows stored are in the X-ClickHouse-Summary header, which a
// caller must compare with the rows it meant. An error before the first byte
// of a result is a status 500 with the text and code of the exception; a later
// one ends the body with an exception block and a read error, so a result that
// failed never looks like a short one.
//
// A context that is cancelled kills the statement, except where the engine does
// not look: a merge started by OPTIMIZE runs to its end. An insert that is
// cancelled while its body is read is not stored; one that is cancelled while
// it is committed may be, as after any lost answer, and is repeated with the
// same insert_deduplication_token.
//
// # What is fixed for a ledger
//
// The engine's defaults trade safety for speed. [Open] fixes the settings in
// settings.go for every table and statement: parts and directories are synced,
// a damaged part stops the start instead of being set aside in silence, inserts
// are never buffered, and an insert is one block, so it is stored whole or not
// at all (in each partition it touches).
//
// # What belongs to the process
//
// The library can hold one data directory at a time, so a second [Open] fails
// until the first engine is closed. The library reads file descriptor 0 as if
// it were insert data whenever a statement lacks some; from the first
// Open on, descriptor 0 is /dev/null and [StandardInput] is the original.
package engine
