package config

import (
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// public are the files that tell nobody anything that he may not know.
var public = []string{"ca_file", "cert_file"}

// TestEverySecretFileIsListed names a file under every key that takes one, and
// wants each that holds a secret among those that the doctor looks at.
func TestEverySecretFileIsListed(t *testing.T) {
	c := &Config{}
	var named []string
	nameFiles("", reflect.ValueOf(c).Elem(), &named)
	listed := slices.Collect(maps.Values(c.SecretFiles()))
	for _, file := range named {
		key := file[strings.LastIndex(file, ".")+1:]
		if !slices.Contains(public, key) && !slices.Contains(listed, c.Path(file)) {
			t.Errorf("SecretFiles leaves %s out", file)
		}
	}
	if len(listed) < 11 { // as many keys as there were when this was written
		t.Errorf("found only %d keys that name a file with a secret: %q", len(listed), listed)
	}
}

// nameFiles gives each key whose name ends in _file or _files the name of a file,
// which is the path of the key. Every list gets one element.
func nameFiles(path string, v reflect.Value, named *[]string) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			key, option, _ := strings.Cut(v.Type().Field(i).Tag.Get("yaml"), ",")
			switch {
			case option == "inline":
				nameFiles(path, v.Field(i), named)
			case key != "":
				nameFiles(join(path, key), v.Field(i), named)
			}
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		nameFiles(path, v.Index(0), named)
	case reflect.Map:
		value := reflect.New(v.Type().Elem()).Elem()
		nameFiles(path, value, named)
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(reflect.Zero(v.Type().Key()), value)
	case reflect.String:
		if strings.HasSuffix(path, "_file") || strings.HasSuffix(path, "_files") {
			v.SetString(path)
			*named = append(*named, path)
		}
	}
}
