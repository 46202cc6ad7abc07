package access

import (
	"context"
	"net/http"
	"time"
)

type secureKey struct{}

// OverTLS returns a context that says that the client speaks HTTPS, with something in front of this service.
func OverTLS(ctx context.Context) context.Context { return context.WithValue(ctx, secureKey{}, true) }

// IsSecure reports whether a client speaks HTTPS, with this service or with something in front of it.
func IsSecure(r *http.Request) bool { return r.TLS != nil || SecureIn(r.Context()) }

// SecureIn reports whether OverTLS was said of a context.
func SecureIn(ctx context.Context) bool {
	said, _ := ctx.Value(secureKey{}).(bool)
	return said
}

// CookieName is the name of a session's cookie. Over TLS it has the prefix that ties it to its host.
func CookieName(secure bool) string { return hostCookie("session", secure) }

// DeviceCookieName is the name of the cookie by which a browser is known that its user has signed in with.
func DeviceCookieName(secure bool) string { return hostCookie("device", secure) }

func hostCookie(what string, secure bool) string {
	if secure {
		return "__Host-spoilbook-" + what
	}
	return "spoilbook-" + what
}

// Cookie is the cookie of a session; with an empty secret it takes the cookie away.
func Cookie(secret string, secure bool) http.Cookie {
	return strict(CookieName(secure), secret, secure, SessionLong)
}

// DeviceCookie is the cookie by which a browser is known.
func DeviceCookie(device string, secure bool) http.Cookie {
	return strict(DeviceCookieName(secure), device, secure, DeviceAge)
}

func strict(name, value string, secure bool, age time.Duration) http.Cookie {
	c := http.Cookie{Name: name, Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: secure, MaxAge: int(age.Seconds())}
	if value == "" {
		c.MaxAge = -1
	}
	return c
}

// OriginOf is where a request comes from.
func OriginOf(r *http.Request) Origin {
	f := Origin{Agent: r.UserAgent(), Address: ClientAddress(r.Context(), r.RemoteAddr)}
	if c, err := r.Cookie(DeviceCookieName(IsSecure(r))); err == nil {
		f.Device = c.Value
	}
	return f
}

type addressKey struct{}

// WithAddress returns a context that says which address a client has, where something in front of this service passes it on.
func WithAddress(ctx context.Context, address string) context.Context {
	return context.WithValue(ctx, addressKey{}, address)
}

// ClientAddress is the address said in a context, or otherwise the one given.
func ClientAddress(ctx context.Context, otherwise string) string {
	if a, ok := ctx.Value(addressKey{}).(string); ok {
		return a
	}
	return otherwise
}
