package gate

import (
	"fmt"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Role says what somebody may do; each includes the ones before it. The zero
// Role may do nothing.
type Role int

// The roles.
const (
	Viewer     Role = iota + 1 // reads
	Operator                   // changes what the floor changes
	Supervisor                 // changes what others rely on, too
)

var roleNames = []string{Viewer: "viewer", Operator: "operator", Supervisor: "supervisor"}

// ParseRole reads the name of a role.
func ParseRole(name string) (Role, error) {
	for r := Viewer; r <= Supervisor; r++ {
		if roleNames[r] == name {
			return r, nil
		}
	}
	return 0, fmt.Errorf("role %q: want %s", name, strings.Join(roleNames[Viewer:], ", "))
}

// String is the name of the role, or "nobody".
func (r Role) String() string {
	if r < Viewer || r > Supervisor {
		return "nobody"
	}
	return roleNames[r]
}

// User is somebody who may come in. On a server that asks for no login, Name is
// empty: a person who does something says who he is there and then.
type User struct {
	Name string
	Role Role
}

// Who says who sent a request that has passed the gate. It is not ok when
// nobody is logged in, or when no gate was passed.
func Who(r *http.Request) (User, bool) {
	v := visitOf(r.Context())
	if v == nil || v.user.Role < Viewer {
		return User{}, false
	}
	return v.user, true
}

// maxName bounds a user's name, in bytes.
const maxName = 64

// cleanName brings a name into the form in which it is compared: two ways to
// type one letter are one (Unicode NFC), and spaces around it do not count.
func cleanName(name string) string { return norm.NFC.String(strings.TrimSpace(name)) }

// CheckName wants a user's name to be what can stand in a journal and a log.
func CheckName(name string) error {
	if name == "" || len(name) > maxName || !utf8.ValidString(name) || name != cleanName(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fmt.Errorf("name %q: want 1 to %d bytes of plain text without spaces around it", name, maxName)
	}
	return nil
}
