package report

import "reflect"

// sentencesOf are the strings of a language by the name of their field.
func sentencesOf(l *language) map[string]string {
	out := map[string]string{}
	v := reflect.ValueOf(l).Elem()
	for i := range v.NumField() {
		if v.Field(i).Kind() == reflect.String {
			out[v.Type().Field(i).Name] = v.Field(i).String()
		}
	}
	return out
}
