package access

import "context"

type contextKey struct{}

// With returns a context that says who asks.
func With(ctx context.Context, who Identity) context.Context {
	return context.WithValue(ctx, contextKey{}, who)
}

// From returns who asks, the zero Identity for somebody who has not signed in.
func From(ctx context.Context) Identity {
	who, _ := ctx.Value(contextKey{}).(Identity)
	return who
}
