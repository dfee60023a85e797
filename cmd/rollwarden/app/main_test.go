package app

import (
	"testing"

	"go.uber.org/goleak"
)

// No watch leaves a goroutine behind, however often another one is put in its place.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }
