package engine

import "strings"

// insertHead is the front of an INSERT whose rows follow as data.
type insertHead struct {
	sql    string // the statement without FORMAT or VALUES and without data
	format string // input format, "Values" for VALUES, empty when not said
	data   int    // offset of the first byte of data in the text
}

// parseInsert takes the front off an INSERT that carries data. It reports false
// for every other statement, which includes INSERT ... SELECT and an INSERT
// from a file of the host.
func parseInsert(sql string) (insertHead, bool) {
	l := &lexer{sql: sql}
	if !l.next().is("INSERT") || !l.next().is("INTO") || !l.skipTarget() {
		return insertHead{}, false
	}
	for depth := 0; ; {
		t := l.next()
		switch {
		case t.kind == tokenEnd, depth == 0 && t.mark(';'):
			return insertHead{sql: sql[:t.start], data: t.end}, true
		case t.kind == tokenBroken:
			return insertHead{}, false
		case t.mark('('):
			depth++
		case t.mark(')'):
			depth--
		case depth > 0:
		case t.is("VALUES"):
			return insertHead{sql: sql[:t.start], format: "Values", data: t.end}, true
		case t.is("FORMAT"):
			name := l.next()
			if name.kind != tokenWord {
				return insertHead{}, false
			}
			return insertHead{sql: sql[:t.start], format: name.text, data: startOfData(sql, name.end)}, true
		case t.is("SELECT"), t.is("WITH"), t.is("FROM"), t.is("WATCH"), t.is("EXPLAIN"):
			return insertHead{}, false
		}
	}
}

// skipTarget passes [TABLE] name[.name] or [TABLE] FUNCTION name(...), so that a
// table may be called by any word.
func (l *lexer) skipTarget() bool {
	before := l.pos
	t := l.next()
	if t.is("TABLE") || t.is("FUNCTION") {
		if after := (&lexer{sql: l.sql, pos: l.pos}).next(); after.kind == tokenWord || after.kind == tokenQuoted {
			return l.skipTarget()
		}
	}
	l.pos = before
	for {
		if t := l.next(); t.kind != tokenWord && t.kind != tokenQuoted && !t.mark('{') {
			return false
		} else if t.mark('{') && !l.skipTo('}') {
			return false
		}
		before = l.pos
		if !l.next().mark('.') {
			l.pos = before
			return true
		}
	}
}

// skipTo passes everything up to and with the mark.
func (l *lexer) skipTo(b byte) bool {
	for {
		t := l.next()
		if t.mark(b) {
			return true
		}
		if t.kind == tokenEnd || t.kind == tokenBroken {
			return false
		}
	}
}

// startOfData skips what the engine skips between a format's name and its data:
// blanks and one line end. Every byte after that is data.
func startOfData(sql string, pos int) int {
	for pos < len(sql) && (sql[pos] == ' ' || sql[pos] == '\t' || sql[pos] == '\f') {
		pos++
	}
	if strings.HasPrefix(sql[pos:], "\r\n") {
		return pos + 2
	}
	if strings.HasPrefix(sql[pos:], "\n") {
		return pos + 1
	}
	return pos
}

// outputFormat returns the name in a statement's FORMAT clause. When the clause
// cannot be told from other uses of the word, certain is false.
func outputFormat(sql string) (format string, certain bool) {
	l := &lexer{sql: sql}
	certain = true
	for previous := (token{}); ; {
		t := l.next()
		switch {
		case t.kind == tokenEnd:
			return format, certain
		case t.kind == tokenBroken:
			return format, false
		case previous.is("FORMAT") && t.kind == tokenWord:
			certain = certain && format == ""
			format = t.text
		case previous.is("FORMAT"):
			certain = false
		}
		previous = t
	}
}

// streamable reports whether the chunks the engine makes of a format can be put
// one after the other. In the others each chunk is a document, with a head.
func streamable(format string) bool {
	switch strings.ToLower(format) {
	case "native", "rowbinary", "csv", "tsv", "tabseparated", "tsvraw", "tabseparatedraw",
		"jsoneachrow", "jsonlines", "ndjson", "jsoncompacteachrow", "jsonstringseachrow",
		"jsoncompactstringseachrow", "lineasstring", "rawblob":
		return true
	}
	return false
}

// mayReadHostFile reports whether a statement might call the function file,
// the one way to read a file of the host that neither a role nor readonly
// forbids. It errs on the side of yes.
func mayReadHostFile(sql string) bool {
	l := &lexer{sql: sql}
	var found, applied, called bool
	for previous := (token{}); ; {
		t := l.next()
		switch {
		case t.kind == tokenEnd:
			return called || found && applied
		case t.kind == tokenBroken, t.kind == tokenQuoted && strings.ContainsAny(t.text, "\\`\""):
			return true
		case t.mark('(') && (isFileName(previous) || previous.mark('}')):
			called = true
		case t.is("APPLY"):
			applied = true
		}
		found = found || isFileName(t)
		previous = t
	}
}

func isFileName(t token) bool {
	return (t.kind == tokenWord || t.kind == tokenQuoted) && strings.EqualFold(t.text, "file")
}
