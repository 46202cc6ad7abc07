package engine

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
)

// Codes of ClickHouse's own list (src/Common/ErrorCodes.cpp) that this package
// raises itself.
const (
	codeNotImplemented    = 48
	codeSyntaxError       = 62
	codeNoDataToInsert    = 108
	codeTimeoutExceeded   = 159
	codeReadonly          = 164
	codeQueryCancelled    = 394
	codeSettingConstraint = 452
	codeUnknownException  = 1002
	codeUnfinished        = 236 // ABORTED
	codeNotEnoughSpace    = 243
)

// Codes that a part or a table has that can not be read.
const (
	codeAssertionFailed = 27 // CANNOT_PARSE_INPUT_ASSERTION_FAILED
	codeUnexpectedEnd   = 32 // ATTEMPT_TO_READ_AFTER_EOF
	codeCannotReadAll   = 33
	codeUnknownTable    = 60
	codeNoFile          = 107 // FILE_DOESNT_EXIST
	codeNoFileInPart    = 226
	codeBadSizeInPart   = 228
	codeCorrupted       = 246
	codeBadPart         = 740 // POTENTIALLY_BROKEN_DATA_PART
	codeStdException    = 1001
)

// ErrClosed is returned for requests made after Close.
var ErrClosed = errors.New("the ClickHouse engine is closed")

// Exception is an error reported by the engine. Code is ClickHouse's error
// number and Text the whole message, in the form
// "Code: 60. DB::Exception: ...".
type Exception struct {
	Code int
	Text string
}

// Error returns the engine's own text.
func (e *Exception) Error() string { return e.Text }

var exceptionCode = regexp.MustCompile(`^Code: (\d+)\.`)

// newException wraps a message of the library, which carries its code in front
// in nearly all cases.
func newException(message string) *Exception {
	if m := exceptionCode.FindStringSubmatch(message); m != nil {
		if code, err := strconv.Atoi(m[1]); err == nil {
			return &Exception{Code: code, Text: message}
		}
	}
	return exceptionf(codeUnknownException, "%s", message)
}

// exceptionf makes an exception of this package's own in the engine's form.
func exceptionf(code int, format string, args ...any) *Exception {
	return &Exception{Code: code, Text: fmt.Sprintf("Code: %d. DB::Exception: ", code) + fmt.Sprintf(format, args...)}
}

// asException finds or makes the exception that a client is told about err.
func asException(err error) *Exception {
	var e *Exception
	if errors.As(err, &e) {
		return e
	}
	return exceptionf(codeUnknownException, "%v", err)
}
