package bus

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
	"golang.org/x/crypto/bcrypt"
)

// User is one who may log in at the embedded server, by a key or by a password.
// NATS takes either; MQTT knows no keys.
type User struct {
	Name         string // logs in with the password
	Key          string // public nkey, which begins with U
	PasswordHash string // bcrypt; used when there is no key

	Publish   []string // subjects that the user may publish on; none is none
	Never     []string // and those among them that it may not
	Subscribe []string // subjects that the user may hear; none is none
}

// The length of a password in bytes. A machine types nothing, so that its
// password can be long; of one that is longer, bcrypt would see the beginning
// only.
const (
	MinPassword = 16
	maxPassword = 72
)

// The cost of a bcrypt hash. The OWASP Password Storage Cheat Sheet wants 10 at
// least; each step more doubles the work of a login, which the server does
// before it knows who asks.
const (
	minCost = 10
	newCost = 11
	maxCost = 13
)

// HashPassword returns the bcrypt hash of a password. The error, which does not
// show the password, says what is wrong with its length.
func HashPassword(password string) (string, error) {
	if n := len(password); n < MinPassword || n > maxPassword {
		return "", fmt.Errorf("password: want %d to %d bytes, such as openssl rand -hex 16 prints, got %d", MinPassword, maxPassword, n)
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), newCost)
	if err != nil {
		return "", fmt.Errorf("hash the password: %w", err)
	}
	return string(hash), nil
}

// CheckPasswordHash says what is wrong with the hash of a password, without
// showing it: somebody may have written the password itself there.
func CheckPasswordHash(hash string) error {
	cost, err := bcrypt.Cost([]byte(hash))
	if err != nil || len(hash) != bcryptLength {
		return errors.New("want a bcrypt hash as rollwarden password --machine prints it, got something else (not shown)")
	}
	if cost < minCost || cost > maxCost {
		return fmt.Errorf("want a bcrypt hash of cost %d to %d, got %d", minCost, maxCost, cost)
	}
	return nil
}

// bcryptLength is how long every bcrypt hash is: $2b$, the cost, $, 22 letters of
// salt and 31 of sum.
const bcryptLength = 60

// CheckKey says what is wrong with the public key of a user. A seed, which is
// secret, is not shown.
func CheckKey(key string) error {
	if !nkeys.IsValidPublicUserKey(key) {
		return errors.New("want the public nkey of a user, 56 letters that begin with U, got something else (not shown)")
	}
	return nil
}

// check says what is wrong with a user.
func (u User) check() error {
	if u.Key != "" {
		return CheckKey(u.Key)
	}
	if u.Name == "" {
		return errors.New("want a name or a key")
	}
	return CheckPasswordHash(u.PasswordHash)
}

// permissions are what the server enforces. It takes an empty list for
// everything, and here it is nothing.
func (u User) permissions() *server.Permissions {
	return &server.Permissions{Publish: only(u.Publish, u.Never), Subscribe: only(u.Subscribe, nil)}
}

func only(allow, deny []string) *server.SubjectPermission {
	if len(allow) == 0 {
		return &server.SubjectPermission{Deny: []string{">"}}
	}
	return &server.SubjectPermission{Allow: slices.Clone(allow), Deny: slices.Clone(deny)}
}

// letIn tells the server who may log in, and returns how this process does. With
// no users at all whoever reaches the server may do everything.
func letIn(opts *server.Options, users []User) (nats.Option, error) {
	if len(users) == 0 {
		return nil, nil
	}
	for _, u := range users {
		if err := u.check(); err != nil {
			return nil, fmt.Errorf("user %s: %w", cmp.Or(u.Name, u.Key), err)
		}
		if u.Key != "" {
			opts.Nkeys = append(opts.Nkeys, &server.NkeyUser{Nkey: u.Key, Permissions: u.permissions()})
		} else {
			opts.Users = append(opts.Users, &server.User{Username: u.Name, Password: u.PasswordHash, Permissions: u.permissions()})
		}
	}
	return letSelfIn(opts)
}

// letSelfIn gives this process a key that nobody else has, and that is gone when
// it ends.
func letSelfIn(opts *server.Options) (nats.Option, error) {
	pair, err := nkeys.CreateUser()
	if err != nil {
		return nil, fmt.Errorf("make a key for the watch: %w", err)
	}
	public, err := pair.PublicKey()
	if err != nil {
		return nil, fmt.Errorf("make a key for the watch: %w", err)
	}
	opts.Nkeys = append(opts.Nkeys, &server.NkeyUser{Nkey: public})
	return nats.Nkey(public, pair.Sign), nil
}
