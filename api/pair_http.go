package api

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

const pairingPath = "/api/v1/pairing"

// cookieAge is the longest that browsers keep a cookie, seconds (400 days).
const cookieAge = 400 * 24 * 3600

// PairingStatus is what this client may do.
type PairingStatus struct {
	Role Text   `json:"role" doc:"read or write; null for a device that is not paired"`
	Read string `json:"read" enum:"open,paired" doc:"Whether reading needs pairing"`
}

// PairingEntry is the code that the board shows.
type PairingEntry struct {
	Code string `json:"code" minLength:"6" maxLength:"24" doc:"The digits that plumbstar pair shows; spaces do not matter"`
	Name string `json:"name,omitempty" maxLength:"80" doc:"A name for this device in the owner's list"`
}

// PairingGrant is the token. The page gets it as a cookie that scripts cannot
// read; programs send it as a bearer token.
type PairingGrant struct {
	Token string `json:"token"`
	Role  string `json:"role" enum:"read,write"`
}

type (
	// asking takes what the handlers of pairing need of the request itself.
	asking struct {
		token string
		from  netip.Addr
		tls   bool
	}
	pairingStatusInput  struct{ asking }
	pairingStatusOutput struct{ Body PairingStatus }
	pairingInput        struct {
		asking
		Body PairingEntry
	}
	pairingOutput struct {
		SetCookie http.Cookie `header:"Set-Cookie"`
		Body      PairingGrant
	}
)

// Resolve is called by huma with the request.
func (a *asking) Resolve(ctx huma.Context) []error {
	r, _ := humago.Unwrap(ctx)
	a.token, _ = tokenOf(r)
	a.tls = r.TLS != nil
	if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
		a.from, _ = netip.ParseAddr(host) // the zero Addr counts as one device
	}
	return nil
}

func (s *Server) registerPairing(api huma.API) {
	huma.Register(api, s.operation(http.MethodGet, pairingPath, "get-pairing", "What this client may do", ""),
		func(_ context.Context, in *pairingStatusInput) (*pairingStatusOutput, error) {
			out := PairingStatus{Read: "open"}
			if s.o.ReadPaired {
				out.Read = "paired"
			}
			if in.token != "" {
				if role, ok := s.o.Pairing.Check(in.token); ok {
					out.Role = Text(role)
				}
			}
			return &pairingStatusOutput{Body: out}, nil
		})
	op := s.operation(http.MethodPost, pairingPath, "pair", "Exchange a pairing code for a token", "The code is shown by `plumbstar pair` on the board.")
	op.Security = nil
	op.Errors = append(op.Errors, http.StatusTooManyRequests, http.StatusConflict)
	huma.Register(api, op, s.pair)
}

func (s *Server) pair(_ context.Context, in *pairingInput) (*pairingOutput, error) {
	g, err := s.o.Pairing.Redeem(in.Body.Code, in.Body.Name, in.from)
	switch {
	case err == nil:
	case errors.Is(err, ErrWrongCode):
		s.refusedPairings.Add(1)
		s.o.Log.Warn("wrong pairing code", "from", in.from)
		return nil, huma.Error403Forbidden(err.Error())
	case errors.Is(err, ErrTooManyTries):
		s.refusedPairings.Add(1)
		s.o.Log.Warn("too many wrong pairing codes", "from", in.from)
		return nil, huma.Error429TooManyRequests(err.Error())
	case errors.Is(err, ErrNoCode):
		return nil, huma.Error409Conflict(err.Error())
	default:
		s.o.Log.Error("pairing failed", "error", err)
		return nil, huma.Error500InternalServerError(fmt.Sprintf("pairing failed on the board: %v", err))
	}
	s.o.Log.Info("device paired", "name", cleanLabel(in.Body.Name), "role", g.Role, "from", in.from)
	return &pairingOutput{
		SetCookie: http.Cookie{
			Name: cookieName, Value: g.Token, Path: "/", MaxAge: cookieAge,
			HttpOnly: true, Secure: in.tls, SameSite: http.SameSiteStrictMode,
		},
		Body: PairingGrant{Token: g.Token, Role: string(g.Role)},
	}, nil
}
