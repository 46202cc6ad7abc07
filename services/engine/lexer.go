package engine

import "strings"

// lexer splits SQL into tokens the way ClickHouse's own lexer does (its
// src/Parsers/Lexer.cpp), as far as this package needs: it finds where the
// words of a statement are, never what they mean.
type lexer struct {
	sql string
	pos int
}

type tokenKind int

const (
	tokenEnd    tokenKind = iota
	tokenWord             // a bare word
	tokenQuoted           // an identifier in backticks or double quotes; text is without them
	tokenString           // a literal in single quotes or a heredoc
	tokenNumber
	tokenMark   // one byte of punctuation
	tokenBroken // an unfinished literal or comment, or a byte outside ASCII
)

type token struct {
	kind       tokenKind
	text       string
	start, end int
}

// is reports whether the token is the bare word, in any case.
func (t token) is(word string) bool {
	return t.kind == tokenWord && strings.EqualFold(t.text, word)
}

// mark reports whether the token is the punctuation byte.
func (t token) mark(b byte) bool { return t.kind == tokenMark && t.text[0] == b }

// next returns the next token after blanks and comments.
func (l *lexer) next() token {
	if !l.skipBlanks() {
		return l.broken()
	}
	start := l.pos
	if start >= len(l.sql) {
		return token{kind: tokenEnd, start: start, end: start}
	}
	switch c := l.sql[start]; {
	case isWordStart(c):
		for l.pos < len(l.sql) && (isWordStart(l.sql[l.pos]) || isDigit(l.sql[l.pos]) || l.sql[l.pos] == '$') {
			l.pos++
		}
		return l.token(tokenWord, start)
	case isDigit(c):
		for l.pos < len(l.sql) && (isWordStart(l.sql[l.pos]) || isDigit(l.sql[l.pos]) || l.sql[l.pos] == '.') {
			l.pos++
		}
		return l.token(tokenNumber, start)
	case c == '\'':
		return l.quoted(c, tokenString)
	case c == '`' || c == '"':
		return l.quoted(c, tokenQuoted)
	case c == '$':
		return l.heredoc()
	case c >= 0x80:
		return l.broken()
	default:
		l.pos++
		return l.token(tokenMark, start)
	}
}

func (l *lexer) token(kind tokenKind, start int) token {
	return token{kind, l.sql[start:l.pos], start, l.pos}
}

// broken ends the text: nothing after it can be trusted.
func (l *lexer) broken() token {
	start := l.pos
	l.pos = len(l.sql)
	return l.token(tokenBroken, start)
}

// skipBlanks reports false for a comment without end.
func (l *lexer) skipBlanks() bool {
	for l.pos < len(l.sql) {
		rest := l.sql[l.pos:]
		switch {
		case strings.ContainsRune(" \t\n\r\f\v", rune(rest[0])):
			l.pos++
		case strings.HasPrefix(rest, "--"), strings.HasPrefix(rest, "//"),
			strings.HasPrefix(rest, "#!"), strings.HasPrefix(rest, "# "):
			end := strings.IndexByte(rest, '\n')
			if end < 0 {
				end = len(rest) - 1
			}
			l.pos += end + 1
		case strings.HasPrefix(rest, "/*"):
			end := strings.Index(rest[2:], "*/")
			if end < 0 {
				return false
			}
			l.pos += end + 4
		default:
			return true
		}
	}
	return true
}

// quoted reads a literal or identifier; a quote inside is doubled or escaped.
func (l *lexer) quoted(quote byte, kind tokenKind) token {
	start := l.pos
	for i := start + 1; i < len(l.sql); i++ {
		switch l.sql[i] {
		case '\\':
			i++
		case quote:
			if i+1 < len(l.sql) && l.sql[i+1] == quote {
				i++
				continue
			}
			l.pos = i + 1
			return token{kind, l.sql[start+1 : i], start, l.pos}
		}
	}
	return l.broken()
}

// heredoc reads $tag$ ... $tag$, or a lone dollar sign.
func (l *lexer) heredoc() token {
	start := l.pos
	rest := l.sql[start:]
	second := strings.IndexByte(rest[1:], '$')
	if second < 0 || strings.ContainsFunc(rest[1:second+1], func(r rune) bool {
		return r >= 0x80 || !isWordStart(byte(r)) && !isDigit(byte(r))
	}) {
		l.pos++
		return l.token(tokenMark, start)
	}
	tag := rest[:second+2]
	end := strings.Index(rest[len(tag):], tag)
	if end < 0 {
		l.pos++
		return l.token(tokenMark, start)
	}
	l.pos += end + 2*len(tag)
	return l.token(tokenString, start)
}

func isWordStart(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_'
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
