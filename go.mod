module rollwarden

go 1.26.0

require github.com/go-json-experiment/json v1.27.2
