package api

import (
	"context"
	"net/http"
	"reflect"

	"github.com/danielgtaylor/huma/v2"
)

// answered is every answer with a body, whatever its type.
type answered struct{ Body any }

// register is huma.Register for an answer O that is a struct with a Body and
// nothing else. huma's code is compiled anew, 9 kB, for each pair of an input and
// an answer; with one type for all answers that leaves one for each input.
func register[I, O any](api huma.API, op huma.Operation, f func(context.Context, *I) (*O, error)) {
	model := typeOf[O]()
	body, _ := model.FieldByName("Body")
	schema := huma.SchemaFromField(api.OpenAPI().Components.Schemas, body, op.OperationID+"Response")
	answer := &huma.Response{Description: http.StatusText(http.StatusOK), Content: map[string]*huma.MediaType{"application/json": {Schema: schema}}}
	op.Responses = map[string]*huma.Response{statusKey(http.StatusOK): answer}
	huma.Register(api, op, func(ctx context.Context, in *I) (*answered, error) {
		out, err := f(ctx, in)
		if err != nil {
			return nil, err
		}
		return &answered{Body: reflect.ValueOf(out).Elem().FieldByIndex(body.Index).Interface()}, nil
	})
}
