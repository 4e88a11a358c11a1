package api

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// queriesOf are the query parameters that each operation of the description takes,
// by the pattern of its route.
func queriesOf(doc *huma.OpenAPI) map[string][]string {
	out := map[string][]string{}
	for path, item := range doc.Paths {
		for method, op := range map[string]*huma.Operation{
			http.MethodGet: item.Get, http.MethodPut: item.Put, http.MethodPost: item.Post, http.MethodDelete: item.Delete,
		} {
			if op == nil || !strings.HasPrefix(path, "/api/") {
				continue
			}
			takes := []string{}
			for _, p := range op.Parameters {
				if p.In == "query" {
					takes = append(takes, p.Name)
				}
			}
			out[method+" "+path] = takes
		}
	}
	return out
}

// wrongQuery says what is wrong with a query, or nothing. A parameter that the
// operation does not know would be left out silently, and the answer be that to
// another question.
func wrongQuery(u *url.URL, takes []string) string {
	q, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return "the query cannot be read: write NAME=VALUE, joined by &, with %-escapes"
	}
	for _, name := range slices.Sorted(maps.Keys(q)) {
		switch {
		case len(takes) == 0:
			return fmt.Sprintf("%s takes no query: leave out %.40q", u.Path, name)
		case !slices.Contains(takes, name):
			return fmt.Sprintf("%s does not take %.40q: it takes %s", u.Path, name, strings.Join(takes, ", "))
		case len(q[name]) > 1:
			return fmt.Sprintf("%q is there %d times: give it once", name, len(q[name]))
		}
	}
	return ""
}

func queryParam(name, doc string, values ...any) *huma.Param {
	return &huma.Param{Name: name, In: "query", Description: doc, Schema: &huma.Schema{Type: huma.TypeString, Enum: values}}
}
