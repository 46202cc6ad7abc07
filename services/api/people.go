package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// SignInRequest is a name with what proves it.
type SignInRequest struct {
	Name     string `json:"name" minLength:"1" maxLength:"64" example:"m-byrne"`
	Password string `json:"password" minLength:"1" maxLength:"256"`
}

type signInInput struct {
	from   access.Origin
	secure bool
	Plain  string `cookie:"spoilbook-device"`
	Secure string `cookie:"__Host-spoilbook-device"`
	Body   SignInRequest
}

// Resolve keeps what is no parameter.
func (in *signInInput) Resolve(h huma.Context) []error {
	in.secure = secure(h)
	in.from = access.Origin{Agent: h.Header("User-Agent"), Address: access.ClientAddress(h.Context(), h.RemoteAddr()), Device: in.Plain}
	if in.secure {
		in.from.Device = in.Secure
	}
	return nil
}

// secure reports whether a request came over HTTPS, here or to something in front of this service.
func secure(h huma.Context) bool { return h.TLS() != nil || access.SecureIn(h.Context()) }

type signedInOutput struct {
	Cookies []http.Cookie `header:"Set-Cookie" doc:"of the session, and one by which this browser is known the next time"`
	Body    access.Identity
}

// SessionCookies are the cookies of the session of who asks.
type SessionCookies struct {
	session string
	Plain   string `cookie:"spoilbook-session"`
	Secure  string `cookie:"__Host-spoilbook-session"`
}

// Resolve keeps which of the two counts.
func (in *SessionCookies) Resolve(h huma.Context) []error {
	in.session = in.Plain
	if secure(h) {
		in.session = in.Secure
	}
	return nil
}

type signOutInput struct {
	secure bool
	Plain  string `cookie:"spoilbook-session"`
	Secure string `cookie:"__Host-spoilbook-session"`
}

// Resolve keeps whether the request came over TLS.
func (in *signOutInput) Resolve(h huma.Context) []error {
	in.secure = secure(h)
	return nil
}

type signedOutOutput struct {
	Cookie http.Cookie `header:"Set-Cookie"`
}

// BeginRequest makes the first administrator.
type BeginRequest struct {
	Code     string `json:"code" minLength:"1" maxLength:"100" doc:"as the first start printed it"`
	Name     string `json:"name" minLength:"2" maxLength:"32" example:"m-byrne" doc:"a-z, 0-9, - and _"`
	Full     string `json:"fullName" minLength:"1" maxLength:"80" doc:"as it stands in entries"`
	Password string `json:"password" minLength:"12" maxLength:"256"`
}

type beginInput struct{ Body BeginRequest }

type userOutput struct{ Body access.User }

type identityOutput struct{ Body access.Identity }

// PasswordRequest changes the password of who asks.
type PasswordRequest struct {
	Old string `json:"old" minLength:"1" maxLength:"256"`
	New string `json:"new" minLength:"12" maxLength:"256"`
}

type passwordInput struct {
	SessionCookies
	Body PasswordRequest
}

// SessionList is the sessions of who asks, the last used first.
type SessionList struct {
	Sessions []access.SessionView `json:"sessions"`
}

type sessionListOutput struct{ Body SessionList }

type endSessionInput struct {
	SessionCookies
	ID string `path:"id" maxLength:"64" example:"8f434346648f"`
}

type userNameInput struct {
	Name string `path:"name" maxLength:"64" example:"m-byrne"`
}

type peopleCopyOutput struct{ Body access.People }

// UserList is everybody who may sign in.
type UserList struct {
	Users []access.User `json:"users"`
}

type userListOutput struct{ Body UserList }

// UserRequest is a user as they are to stand.
type UserRequest struct {
	Full     string           `json:"fullName" maxLength:"80" doc:"as it stands in entries"`
	Role     access.Role      `json:"role" enum:"crew,yard,office,officer,administrator"`
	Trucks   []events.TruckID `json:"trucks,omitempty" maxItems:"200" doc:"of a crew"`
	Disabled bool             `json:"disabled,omitempty" doc:"may not sign in"`
	Subject  string           `json:"subject,omitempty" maxLength:"300" doc:"issuer and subject of OpenID Connect, with a space between"`
	Password string           `json:"password,omitempty" maxLength:"256" doc:"a new one; left out, the old one stays"`
	Revision uint64           `json:"revision,omitempty" doc:"what was seen; left out for a new user"`
}

type userInput struct {
	Name string `path:"name" maxLength:"64" example:"m-byrne"`
	Body UserRequest
}

// TokenList is every token that was not revoked.
type TokenList struct {
	Tokens []access.Token `json:"tokens"`
}

type tokenListOutput struct{ Body TokenList }

// TokenRequest is a token as it is to be made.
type TokenRequest struct {
	For    string           `json:"for" minLength:"1" maxLength:"80" example:"controller of TM-01" doc:"what uses it"`
	Role   access.Role      `json:"role" enum:"truck,crew,yard,office,officer,administrator"`
	Trucks []events.TruckID `json:"trucks,omitempty" maxItems:"200" doc:"of a truck or crew"`
	Ends   time.Time        `json:"ends" doc:"at most three years ahead"`

	ReadOnly bool `json:"readOnly,omitempty" doc:"it changes nothing; not for a truck's"`
}

type tokenInput struct{ Body TokenRequest }

// TokenView is a token that was made, with its secret, which is shown this once.
type TokenView struct {
	access.Token
	Secret string `json:"secret" doc:"send it as Authorization: Bearer SECRET"`
}

type tokenOutput struct{ Body TokenView }

type tokenIDInput struct {
	ID string `path:"id" maxLength:"64" example:"8f434346648f"`
}

func (s *service) addPeople(a huma.API) {
	tags := []string{"people"}
	huma.Register(a, huma.Operation{OperationID: "sign-in", Method: http.MethodPost, Path: "/v1/sign-in", Tags: tags, Summary: "Begin a session", Description: "The session is in a cookie."}, s.signIn)
	huma.Register(a, huma.Operation{OperationID: "sign-out", Method: http.MethodPost, Path: "/v1/sign-out", Tags: tags, Summary: "End the session", DefaultStatus: http.StatusNoContent}, s.signOut)
	huma.Register(a, huma.Operation{OperationID: "begin", Method: http.MethodPost, Path: "/v1/begin", Tags: tags, Summary: "Make the first administrator, with the code that the first start printed"}, s.begin)
	huma.Register(a, huma.Operation{OperationID: "who-am-i", Method: http.MethodGet, Path: "/v1/me", Tags: tags, Summary: "Who asks"},
		func(ctx context.Context, _ *struct{}) (*identityOutput, error) {
			return &identityOutput{identityOf(ctx)}, nil
		})
	huma.Register(a, huma.Operation{OperationID: "set-own-password", Method: http.MethodPost, Path: "/v1/me/password", Tags: tags, Summary: "Change one's own password", DefaultStatus: http.StatusNoContent}, s.setPassword)
	huma.Register(a, huma.Operation{OperationID: "list-own-sessions", Method: http.MethodGet, Path: "/v1/me/sessions", Tags: tags, Summary: "One's own sessions"}, s.ownSessions)
	huma.Register(a, huma.Operation{OperationID: "end-own-session", Method: http.MethodDelete, Path: "/v1/me/sessions/{id}", Tags: tags, Summary: "End one of one's own sessions", DefaultStatus: http.StatusNoContent}, s.endSession)
	huma.Register(a, huma.Operation{OperationID: "unlock-user", Method: http.MethodPost, Path: "/v1/users/{name}/unlock", Tags: tags, Summary: "Let a user who waits after wrong passwords try again at once", DefaultStatus: http.StatusNoContent}, s.unlock)
	huma.Register(a, huma.Operation{OperationID: "copy-people", Method: http.MethodGet, Path: "/v1/people/copy", Tags: tags, Summary: "Users and tokens for a backup",
		Description: "Passwords and tokens are in it as hashes: who has them can try to guess passwords. Sessions are not in it."}, s.copyPeople)
	huma.Register(a, huma.Operation{OperationID: "list-users", Method: http.MethodGet, Path: "/v1/users", Tags: tags, Summary: "Everybody who may sign in"}, s.users)
	huma.Register(a, huma.Operation{OperationID: "change-user", Method: http.MethodPut, Path: "/v1/users/{name}", Tags: tags, Summary: "Make or change a user",
		Description: "The revision that was seen guards against undoing another's change. A change of role, trucks or password ends the user's sessions."}, s.changeUser)
	huma.Register(a, huma.Operation{OperationID: "list-tokens", Method: http.MethodGet, Path: "/v1/tokens", Tags: tags, Summary: "The tokens that hold"}, s.tokens)
	huma.Register(a, huma.Operation{OperationID: "make-token", Method: http.MethodPost, Path: "/v1/tokens", Tags: tags, Summary: "Make a token for a program"}, s.makeToken)
	huma.Register(a, huma.Operation{OperationID: "revoke-token", Method: http.MethodDelete, Path: "/v1/tokens/{id}", Tags: tags, Summary: "End a token now", DefaultStatus: http.StatusNoContent}, s.revokeToken)
}

// book returns who keeps users, or says that nobody does.
func (s *service) book() (*access.Book, error) {
	if s.Access == nil {
		return nil, ledger.Fail(ledger.Conflict, "this service was started without sign-in: there are no users and tokens")
	}
	return s.Access, nil
}

func (s *service) signIn(ctx context.Context, in *signInInput) (*signedInOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	made, err := b.SignIn(ctx, in.Body.Name, in.Body.Password, in.from)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &signedInOutput{Cookies: []http.Cookie{access.Cookie(made.Secret, in.secure), access.DeviceCookie(made.Device, in.secure)}, Body: made.Who}, nil
}

func (s *service) signOut(ctx context.Context, in *signOutInput) (*signedOutOutput, error) {
	key := in.Plain
	if in.secure {
		key = in.Secure
	}
	if b, err := s.book(); err == nil && key != "" {
		if err := b.SignOut(ctx, key); err != nil {
			return nil, s.problemOf(ctx, err)
		}
	}
	return &signedOutOutput{access.Cookie("", in.secure)}, nil
}

func (s *service) begin(ctx context.Context, in *beginInput) (*userOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	u, err := b.Redeem(ctx, in.Body.Code, in.Body.Name, in.Body.Full, in.Body.Password)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &userOutput{u}, nil
}

func (s *service) setPassword(ctx context.Context, in *passwordInput) (*struct{}, error) {
	b, err := s.book()
	if err == nil {
		err = b.SetOwnPassword(ctx, identityOf(ctx), in.Body.Old, in.Body.New, in.session)
	}
	return nil, s.problemOf(ctx, err)
}

func (s *service) ownSessions(ctx context.Context, in *SessionCookies) (*sessionListOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	list, err := b.Sessions(ctx, identityOf(ctx), in.session)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &sessionListOutput{SessionList{list}}, nil
}

func (s *service) endSession(ctx context.Context, in *endSessionInput) (*struct{}, error) {
	b, err := s.book()
	if err == nil {
		_, err = b.EndSession(ctx, identityOf(ctx), in.ID, in.session)
	}
	return nil, s.problemOf(ctx, err)
}

func (s *service) unlock(ctx context.Context, in *userNameInput) (*struct{}, error) {
	b, err := s.book()
	if err == nil {
		err = b.Unlock(ctx, in.Name)
	}
	return nil, s.problemOf(ctx, err)
}

func (s *service) copyPeople(ctx context.Context, _ *struct{}) (*peopleCopyOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	all, err := b.CopyPeople(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &peopleCopyOutput{all}, nil
}

func (s *service) users(ctx context.Context, _ *struct{}) (*userListOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	list, err := b.Users(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &userListOutput{UserList{list}}, nil
}

func (s *service) changeUser(ctx context.Context, in *userInput) (*userOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	u, err := b.Change(ctx, identityOf(ctx), access.User{Name: in.Name, Full: in.Body.Full, Role: in.Body.Role, Trucks: in.Body.Trucks,
		Disabled: in.Body.Disabled, Subject: in.Body.Subject, Revision: in.Body.Revision}, in.Body.Password)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &userOutput{u}, nil
}

func (s *service) tokens(ctx context.Context, _ *struct{}) (*tokenListOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	list, err := b.Tokens(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &tokenListOutput{TokenList{list}}, nil
}

func (s *service) makeToken(ctx context.Context, in *tokenInput) (*tokenOutput, error) {
	b, err := s.book()
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	t, secret, err := b.MakeToken(ctx, identityOf(ctx), access.Token{For: in.Body.For, Role: in.Body.Role, Trucks: in.Body.Trucks, Ends: in.Body.Ends, ReadOnly: in.Body.ReadOnly})
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &tokenOutput{TokenView{t, secret}}, nil
}

func (s *service) revokeToken(ctx context.Context, in *tokenIDInput) (*struct{}, error) {
	b, err := s.book()
	if err == nil {
		err = b.Revoke(ctx, in.ID)
	}
	return nil, s.problemOf(ctx, err)
}
