package screen

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
)

// Person is an account as others see it.
type Person struct {
	alerting.Account
	OpenID  bool `json:"openid,omitempty" doc:"logs in at the OpenID provider, which also says the role"`
	Invited bool `json:"invited,omitempty" doc:"has no password yet"`
}

func newPerson(a *alerting.Account) Person {
	return Person{*a, a.Subject != "", a.Subject == "" && a.Password == ""}
}

// Invited is a person, and the link that lets him choose a password.
type Invited struct {
	Person
	Link string `json:"link" doc:"shown this once; good once, for 72 hours. Without access.public_url it begins with a path"`
}

// NewToken is a token, and its secret.
type NewToken struct {
	alerting.Token
	Secret string `json:"secret" doc:"shown this once: send it as Authorization: Bearer"`
}

func (s *server) registerPeople(api huma.API) {
	get(api, "users", "/users", "All accounts, in the order of their names", s.users)
	act(api, "add-user", "/users", "Make an account; the answer has a link for its owner", http.StatusCreated, s.addUser)
	act(api, "change-user", "/users/{name}", "Change an account's role or name, or disable it", http.StatusOK, s.changeUser)
	act(api, "link-user", "/users/{name}/link", "A link with which the account's owner chooses a new password", http.StatusCreated, s.linkUser)
	act(api, "logout-user", "/users/{name}/logout", "End all sessions of an account", http.StatusNoContent, s.logoutUser)
	get(api, "tokens", "/tokens", "One's own tokens, newest first; an administrator sees all on demand", s.tokens)
	act(api, "add-token", "/tokens", "Make a token; its secret is shown this once", http.StatusCreated, s.addToken)
	act(api, "revoke-token", "/tokens/{id}/revoke", "End a token", http.StatusNoContent, s.revokeToken)
	get(api, "audit", "/audit", "Who has done what, newest first", s.audit)
}

// welcome is the address of a link.
func (s *server) welcome(link string) string { return s.o.Door.PublicURL + "/welcome#" + link }

func (s *server) users(context.Context, *struct{}) (*answer[List[Person]], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	list := accounts.List()
	out := List[Person]{Items: make([]Person, len(list))}
	for i := range list {
		out.Items[i] = newPerson(&list[i])
	}
	return &answer[List[Person]]{out}, nil
}

type addUserInput struct {
	Body struct {
		_       struct{}      `additionalProperties:"false"`
		Name    string        `json:"name" maxLength:"256" doc:"1 to 64 of a-z 0-9 . _ @ + -"`
		Display string        `json:"display,omitempty" maxLength:"256"`
		Role    alerting.Role `json:"role" enum:"viewer,operator,maintainer,administrator"`
	}
}

func (s *server) addUser(ctx context.Context, in *addUserInput) (*answer[Invited], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	link, a, err := accounts.Add(ctx, By(ctx, ""), in.Body.Name, in.Body.Display, in.Body.Role)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "make the account")
	}
	return &answer[Invited]{Invited{newPerson(&a), s.welcome(link)}}, nil
}

// UserInput names an account.
type UserInput struct {
	Name string `path:"name" maxLength:"64"`
}

type changeUserInput struct {
	UserInput
	Body struct {
		_        struct{}       `additionalProperties:"false"`
		Display  *string        `json:"display,omitempty" maxLength:"256"`
		Role     *alerting.Role `json:"role,omitempty" enum:"viewer,operator,maintainer,administrator"`
		Disabled *bool          `json:"disabled,omitempty" doc:"all sessions end; tokens and links do no more"`
	}
}

func (s *server) changeUser(ctx context.Context, in *changeUserInput) (*answer[Person], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	a, err := accounts.Change(ctx, By(ctx, ""), in.Name, in.Body.Display, in.Body.Role, in.Body.Disabled)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "change the account")
	}
	return &answer[Person]{newPerson(&a)}, nil
}

// emptyInput is the body of what needs none: JSON, so that no form can send it.
type emptyInput struct {
	UserInput
	Body struct{} // one with nothing but a blank field cannot be read
}

// LinkMade is the answer with a link.
type LinkMade struct {
	Link string `json:"link" doc:"shown this once; good once, for 72 hours"`
}

func (s *server) linkUser(ctx context.Context, in *emptyInput) (*answer[LinkMade], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	link, err := accounts.Reset(ctx, By(ctx, ""), in.Name)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "make the link")
	}
	return &answer[LinkMade]{LinkMade{s.welcome(link)}}, nil
}

func (s *server) logoutUser(ctx context.Context, in *emptyInput) (*struct{}, error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	if err := accounts.EndSessions(ctx, By(ctx, ""), in.Name); err != nil {
		return nil, s.doorProblem(ctx, err, "end the sessions")
	}
	return nil, nil
}

type tokensInput struct {
	Of string `query:"of" enum:"me,all" default:"me" doc:"all: of everyone, for an administrator"`
}

func (s *server) tokens(ctx context.Context, in *tokensInput) (*answer[List[alerting.Token]], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	v, _ := VisitorOf(ctx)
	name := v.Account.Name
	if in.Of == "all" {
		if !v.Role.Allows(alerting.Administrator) {
			return nil, huma.Error403Forbidden("expected the role administrator, found " + string(v.Role))
		}
		name = ""
	}
	return &answer[List[alerting.Token]]{List[alerting.Token]{Items: accounts.Tokens(name)}}, nil
}

type addTokenInput struct {
	Body struct {
		_     struct{}      `additionalProperties:"false"`
		Label string        `json:"label" maxLength:"256" doc:"what it is for, 1 to 64 characters"`
		Role  alerting.Role `json:"role" enum:"viewer,operator,maintainer,administrator" doc:"at most one's own"`
		Days  int           `json:"days" minimum:"1" maximum:"3660" doc:"for which it holds"`
	}
}

func (s *server) addToken(ctx context.Context, in *addTokenInput) (*answer[NewToken], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	v, _ := VisitorOf(ctx)
	secret, t, err := accounts.AddToken(ctx, v, in.Body.Label, in.Body.Role, time.Duration(in.Body.Days)*24*time.Hour)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "make the token")
	}
	return &answer[NewToken]{NewToken{t, secret}}, nil
}

type revokeInput struct {
	ID   int64 `path:"id"`
	Body struct{}
}

func (s *server) revokeToken(ctx context.Context, in *revokeInput) (*struct{}, error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	v, _ := VisitorOf(ctx)
	if err := accounts.RevokeToken(ctx, v, in.ID); err != nil {
		return nil, s.doorProblem(ctx, err, "revoke the token")
	}
	return nil, nil
}

type auditInput struct{ PageInput }

func (s *server) audit(ctx context.Context, in *auditInput) (*answer[List[alerting.Audited]], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	items, next, err := accounts.Audit(ctx, in.Cursor, in.Limit)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "read the record")
	}
	return &answer[List[alerting.Audited]]{List[alerting.Audited]{append([]alerting.Audited{}, items...), next}}, nil
}
