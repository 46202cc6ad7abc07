package access

import "net/http"

// CookieName is the name of a session's cookie. Over TLS it has the prefix that ties it to its host.
func CookieName(secure bool) string {
	if secure {
		return "__Host-spoilbook-session"
	}
	return "spoilbook-session"
}

// Cookie is the cookie of a session; with an empty secret it takes the cookie away.
func Cookie(secret string, secure bool) http.Cookie {
	c := http.Cookie{Name: CookieName(secure), Value: secret, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: secure,
		MaxAge: int(SessionLong.Seconds())}
	if secret == "" {
		c.MaxAge = -1
	}
	return c
}
