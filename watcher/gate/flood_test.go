package gate

import (
	"strings"
	"testing"
)

// TestAFloodDoesNotFillTheLog sends more than anybody needs without a login, and then
// looks whether what else happens is still written down.
func TestAFloodDoesNotFillTheLog(t *testing.T) {
	w := open(t, shopOptions(t))
	cookie := w.enter("mira", viewerPassword)
	const flood = 200
	for range flood {
		w.get("/").wants(t, 401)
		w.login("nobody", "wrong password", "/")
	}
	// Three kinds came (need-login, wrong-login, too-many), and a minute may have ended
	// meanwhile.
	if n := strings.Count(w.log.String(), "\n"); n > 2*3*tellBurst {
		t.Errorf("%d requests made %d lines", 2*flood, n)
	}
	w.get("/", "Authorization: Bearer none").wants(t, 401)
	for range 2 * tellBurst {
		w.ask("POST", "/entry", "", cookie).wants(t, 403)
	}
	if !strings.Contains(w.log.String(), WrongToken) {
		t.Error("one kind of refusal hides another")
	}
	if n := strings.Count(w.log.String(), NeedRole); n != 2*tellBurst {
		t.Errorf("of %d refusals of a person, %d are written down", 2*tellBurst, n)
	}
}
