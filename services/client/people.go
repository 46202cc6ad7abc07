package client

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"time"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// WithToken returns a client that proves itself with a token.
func (c *Client) WithToken(token string) *Client {
	other := *c
	other.token = token
	return &other
}

// send sends a body as JSON and decodes the answer into v, unless v is nil.
func (c *Client) send(ctx context.Context, method, path string, body, v any) error {
	text, err := json.Marshal(body)
	if err != nil {
		return ledger.Wrap(ledger.Internal, err, "%s %s", method, path)
	}
	return c.call(ctx, method, path, nil, "application/json", text, v)
}

// Begin makes the first administrator, with the code that the first start printed.
func (c *Client) Begin(ctx context.Context, code, name, full, password string) (access.User, error) {
	var u access.User
	err := c.send(ctx, http.MethodPost, "/v1/begin", map[string]string{"code": code, "name": name, "fullName": full, "password": password}, &u)
	return u, err
}

// Me says who the client is to the server.
func (c *Client) Me(ctx context.Context) (access.Identity, error) {
	var who access.Identity
	err := c.call(ctx, http.MethodGet, "/v1/me", nil, "", nil, &who)
	return who, err
}

// SignIn begins a session for who knows the password and returns a client that is in it.
func (c *Client) SignIn(ctx context.Context, name, password string) (*Client, error) {
	text, err := json.Marshal(map[string]string{"name": name, "password": password})
	if err != nil {
		return nil, ledger.Wrap(ledger.Internal, err, "sign in")
	}
	res, err := c.do(ctx, http.MethodPost, "/v1/sign-in", nil, "application/json", text)
	if err != nil {
		return nil, err
	}
	if err := res.Body.Close(); err != nil {
		return nil, ledger.Wrap(ledger.ServerDown, err, "sign in")
	}
	for _, cookie := range res.Cookies() {
		if cookie.Name != access.CookieName(true) && cookie.Name != access.CookieName(false) {
			continue
		}
		other := *c
		other.session = cookie
		return &other, nil
	}
	return nil, ledger.Fail(ledger.ServerDown, "the server at %s began no session", c.base.Redacted())
}

// SignOut ends the session.
func (c *Client) SignOut(ctx context.Context) error {
	return c.call(ctx, http.MethodPost, "/v1/sign-out", nil, "", nil, nil)
}

// Users lists everybody who may sign in, by name.
func (c *Client) Users(ctx context.Context) ([]access.User, error) {
	var list struct{ Users []access.User }
	err := c.call(ctx, http.MethodGet, "/v1/users", nil, "", nil, &list)
	return list.Users, err
}

// ChangeUser makes a user (revision 0) or changes one; an empty password leaves the old one.
func (c *Client) ChangeUser(ctx context.Context, u access.User, password string) (access.User, error) {
	body := struct {
		Full     string           `json:"fullName"`
		Role     access.Role      `json:"role"`
		Trucks   []events.TruckID `json:"trucks,omitempty"`
		Disabled bool             `json:"disabled,omitempty"`
		Subject  string           `json:"subject,omitempty"`
		Password string           `json:"password,omitempty"`
		Revision uint64           `json:"revision,omitempty"`
	}{u.Full, u.Role, u.Trucks, u.Disabled, u.Subject, password, u.Revision}
	var out access.User
	err := c.send(ctx, http.MethodPut, "/v1/users/"+url.PathEscape(u.Name), body, &out)
	return out, err
}

// Unlock lets a user who waits after wrong passwords try again at once.
func (c *Client) Unlock(ctx context.Context, name string) error {
	return c.call(ctx, http.MethodPost, "/v1/users/"+url.PathEscape(name)+"/unlock", nil, "", nil, nil)
}

// CopyPeople returns users and tokens for a backup, passwords and tokens as hashes.
func (c *Client) CopyPeople(ctx context.Context) (access.People, error) {
	var all access.People
	err := c.call(ctx, http.MethodGet, "/v1/people/copy", nil, "", nil, &all)
	return all, err
}

// Tokens lists the tokens that were not revoked.
func (c *Client) Tokens(ctx context.Context) ([]access.Token, error) {
	var list struct{ Tokens []access.Token }
	err := c.call(ctx, http.MethodGet, "/v1/tokens", nil, "", nil, &list)
	return list.Tokens, err
}

// MakeToken makes a token and returns its secret, which is told this once.
func (c *Client) MakeToken(ctx context.Context, t access.Token) (access.Token, string, error) {
	body := struct {
		For    string           `json:"for"`
		Role   access.Role      `json:"role"`
		Trucks []events.TruckID `json:"trucks,omitempty"`
		Ends   time.Time        `json:"ends"`

		ReadOnly bool `json:"readOnly,omitempty"`
	}{t.For, t.Role, t.Trucks, t.Ends, t.ReadOnly}
	var out struct {
		access.Token
		Secret string `json:"secret"`
	}
	err := c.send(ctx, http.MethodPost, "/v1/tokens", body, &out)
	return out.Token, out.Secret, err
}

// RevokeToken ends a token now.
func (c *Client) RevokeToken(ctx context.Context, id string) error {
	return c.call(ctx, http.MethodDelete, "/v1/tokens/"+url.PathEscape(id), nil, "", nil, nil)
}
