package report

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"plumbstar/daemon/nightlog"
)

// Source opens the log that reports are made from; the handler closes it.
type Source func(context.Context) (*nightlog.Reader, error)

// Policy is what a browser may do with the page: show it, and nothing else.
const Policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"

// Handler serves the page of the night whose number, or "last", is the path value
// "id". The query may have lang=en or lang=de (else the request's languages
// decide), and look=night. refuse answers an error in the API's way. Reports are
// made one at a time: each keeps about 1 MB and a core for a second.
func Handler(open Source, version string, refuse func(w http.ResponseWriter, r *http.Request, status int, detail string)) http.Handler {
	turn := make(chan struct{}, 1)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id, o, err := asked(r)
		if err != nil {
			refuse(w, r, http.StatusUnprocessableEntity, err.Error())
			return
		}
		o.Version = version
		select {
		case turn <- struct{}{}:
			defer func() { <-turn }()
		case <-r.Context().Done():
			return
		}
		var page bytes.Buffer
		if err := render(r.Context(), &page, open, id, o); err != nil {
			if r.Context().Err() == nil {
				status, detail := refusal(err)
				refuse(w, r, status, detail)
			}
			return
		}
		h := w.Header()
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Security-Policy", Policy)
		h.Set("Content-Language", o.Lang)
		h.Set("Cache-Control", "no-cache")
		h.Add("Vary", "Accept-Language")
		h.Set("Content-Length", strconv.Itoa(page.Len()))
		_, _ = w.Write(page.Bytes()) // a client that left needs no answer
	})
}

// refusal says what is wrong, without where the file lies on the board.
func refusal(err error) (status int, detail string) {
	var e *nightlog.Error
	switch {
	case !errors.As(err, &e):
		return http.StatusInternalServerError, "the report could not be made: see the board's log"
	case e.Kind == nightlog.NotFound:
		return http.StatusNotFound, "there is no such night: /api/v1/nights lists them"
	}
	return http.StatusServiceUnavailable, "the night log: " + e.Brief()
}

func render(ctx context.Context, page *bytes.Buffer, open Source, id int64, o Options) error {
	r, err := open(ctx)
	if err != nil {
		return err
	}
	defer r.Close()
	return Write(ctx, page, r, id, o)
}

func asked(r *http.Request) (id int64, o Options, err error) {
	id = nightlog.Latest
	if s := r.PathValue("id"); s != "last" {
		if id, err = strconv.ParseInt(s, 10, 64); err != nil || id < 1 {
			return 0, o, fmt.Errorf("night %.40q: give a number of /api/v1/nights, or last", s)
		}
	}
	q := r.URL.Query()
	switch look := q.Get("look"); look {
	case "", "day":
	case "night":
		o.Night = true
	default:
		return 0, o, fmt.Errorf("look %.40q: give day or night", look)
	}
	o.Lang = q.Get("lang")
	switch {
	case o.Lang == "":
		o.Lang = wished(r.Header.Get("Accept-Language"))
	case !slices.Contains(Languages(), o.Lang):
		return 0, o, fmt.Errorf("lang %.40q: give one of %v", o.Lang, Languages())
	}
	return id, o, nil
}

// wished is the first language of an Accept-Language field that there is;
// weights are taken to be in order, as browsers write them.
func wished(accept string) string {
	for part := range strings.SplitSeq(accept, ",") {
		tag, _, _ := strings.Cut(strings.TrimSpace(part), ";")
		tag, _, _ = strings.Cut(tag, "-")
		if tag = strings.ToLower(tag); slices.Contains(Languages(), tag) {
			return tag
		}
	}
	return "en"
}
