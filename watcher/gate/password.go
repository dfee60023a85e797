package gate

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"hash/maphash"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// The length of a password. NIST SP 800-63B (revision 3) section 5.1.1.2 wants
// at least 8 characters, at least 64 permitted, and no rules on which ones;
// revision 4 section 3.1.1.2 wants 15 where the password is all that is asked
// for. The upper bound, in bytes, keeps a form from carrying megabytes.
const (
	MinPassword     = 8
	AdvisedPassword = 15
	maxPassword     = 1024
)

// What new hashes cost: the second recommended option of RFC 9106 section 4,
// with 64 MiB for each verification. Few run at a time, see maxVerifying.
const (
	newPasses  = 3
	newMemory  = 64 << 10 // KiB
	newThreads = 4
	newSalt    = 16 // bytes
	newSum     = 32 // bytes
)

// What a hash of the configuration may cost. The lower bounds admit every
// argon2id setting of the OWASP Password Storage Cheat Sheet, of which m=7168,
// t=5 does the least work; the upper ones keep one login below a quarter of a
// GiB and about a second. The bounds of the lengths are those of RFC 9106
// section 3.1, with 128 bits at least for the sum.
const (
	minMemory  = 7168       // KiB
	maxMemory  = 256 << 10  // KiB
	minWork    = 35840      // KiB times passes
	maxWork    = 1024 << 10 // KiB times passes
	maxThreads = 16
	minSalt    = 8 // bytes
	minSum     = 16
	maxField   = 64 // bytes of salt or sum
)

// hash is one argon2id hash with what it takes to compute it again.
type hash struct {
	passes, memory uint32 // memory in KiB
	threads        uint8
	salt, sum      []byte
}

// phc is the PHC string format for argon2id of version 19 (0x13): parameters in
// this order, decimal without leading zeros, base64 without padding.
var phc = regexp.MustCompile(`^\$argon2id\$v=19\$m=([1-9][0-9]{0,9}),t=([1-9][0-9]{0,9}),p=([1-9][0-9]{0,2})\$([A-Za-z0-9+/]{1,100})\$([A-Za-z0-9+/]{1,100})$`)

// parseHash reads a hash. Its errors never show the text: somebody may have
// written the password itself there.
func parseHash(text string) (*hash, error) {
	m := phc.FindStringSubmatch(text)
	if m == nil {
		return nil, errors.New("want $argon2id$v=19$m=…,t=…,p=…$salt$hash as rollwarden password prints it, got something else (not shown)")
	}
	memory, passes, threads := number(m[1]), number(m[2]), number(m[3])
	switch {
	case memory < minMemory || memory > maxMemory:
		return nil, fmt.Errorf("memory: want m from %d to %d KiB, got %d", minMemory, maxMemory, memory)
	case memory*passes < minWork || memory*passes > maxWork:
		return nil, fmt.Errorf("work: want m times t from %d to %d, got m=%d, t=%d", minWork, maxWork, memory, passes)
	case threads > maxThreads:
		return nil, fmt.Errorf("threads: want p from 1 to %d, got %d", maxThreads, threads)
	}
	salt, err := base64.RawStdEncoding.Strict().DecodeString(m[4])
	if err != nil || len(salt) < minSalt || len(salt) > maxField {
		return nil, fmt.Errorf("salt: want %d to %d bytes as base64 without padding", minSalt, maxField)
	}
	sum, err := base64.RawStdEncoding.Strict().DecodeString(m[5])
	if err != nil || len(sum) < minSum || len(sum) > maxField {
		return nil, fmt.Errorf("hash: want %d to %d bytes as base64 without padding", minSum, maxField)
	}
	return &hash{uint32(passes), uint32(memory), uint8(threads), salt, sum}, nil
}

// CheckHash says what is wrong with the hash of a password, without showing it.
func CheckHash(phc string) error {
	_, err := parseHash(phc)
	return err
}

// number reads up to ten digits.
func number(digits string) uint64 {
	n, _ := strconv.ParseUint(digits, 10, 64) // the pattern lets nothing else through
	return n
}

// String writes the hash in the PHC string format.
func (h *hash) String() string {
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.memory, h.passes, h.threads, b64(h.salt), b64(h.sum))
}

// fits reports whether the hash is that of a password.
func (h *hash) fits(password string) bool {
	sum := argon2.IDKey(normal(password), h.salt, h.passes, h.memory, h.threads, uint32(len(h.sum)))
	return subtle.ConstantTimeCompare(sum, h.sum) == 1
}

// normal brings a password into the form that is hashed, so that it is the same
// from every keyboard: Unicode NFKC, as NIST SP 800-63B section 5.1.1.2 advises.
func normal(password string) []byte { return norm.NFKC.Bytes([]byte(password)) }

// HashPassword returns the hash of a password in the PHC string format. The
// error, which does not show the password, says what is wrong with its length
// or encoding.
func HashPassword(password string) (string, error) {
	switch {
	case !utf8.ValidString(password):
		return "", errors.New("password: want UTF-8 text, got another encoding")
	case len(password) > maxPassword || len(normal(password)) > maxPassword:
		return "", fmt.Errorf("password: want at most %d bytes", maxPassword)
	case PasswordLength(password) < MinPassword:
		return "", fmt.Errorf("password: want at least %d characters, better %d: a few words that do not belong together are easy to type", MinPassword, AdvisedPassword)
	}
	h := hash{passes: newPasses, memory: newMemory, threads: newThreads, salt: make([]byte, newSalt)}
	rand.Read(h.salt) // never fails, by its own words
	h.sum = argon2.IDKey(normal(password), h.salt, h.passes, h.memory, h.threads, newSum)
	return h.String(), nil
}

// PasswordLength counts the characters of a password.
func PasswordLength(password string) int { return utf8.RuneCount(normal(password)) }

// Account is a user who logs in with a password.
type Account struct {
	name string
	role Role
	hash *hash // a pointer, so that what prints an Account shows an address
}

// same reports whether two accounts are of one person with one role and one
// password.
func (a Account) same(b Account) bool {
	return a.name == b.name && a.role == b.role && a.hash.String() == b.hash.String()
}

// NewAccount describes a user. phc is the argon2id hash of the password as
// HashPassword returns it; the error does not show it.
func NewAccount(name string, role Role, phc string) (Account, error) {
	if err := CheckName(name); err != nil {
		return Account{}, err
	}
	if role < Viewer || role > Supervisor {
		return Account{}, fmt.Errorf("user %s: want a role", name)
	}
	h, err := parseHash(phc)
	if err != nil {
		return Account{}, fmt.Errorf("password hash of %s: %w", name, err)
	}
	return Account{name, role, h}, nil
}

// Only so many passwords are verified at one time, whatever comes in, and only
// so many more wait for it: each verification takes the memory that its hash
// asks for.
const (
	maxVerifying = 2
	maxWaiting   = 32
)

// accounts verifies passwords.
type accounts struct {
	byName  map[string]Account
	names   []string // in order
	seed    maphash.Seed
	waiting chan struct{}
	slots   chan struct{}
	fits    func(*hash, string) bool
}

func newAccounts(list []Account) accounts {
	a := accounts{
		byName: map[string]Account{}, seed: maphash.MakeSeed(), fits: (*hash).fits,
		waiting: make(chan struct{}, maxVerifying+maxWaiting), slots: make(chan struct{}, maxVerifying),
	}
	for _, one := range list {
		a.byName[one.name] = one
	}
	a.names = slices.Sorted(maps.Keys(a.byName))
	return a
}

// errBusy says that too many passwords wait to be verified.
var errBusy = errors.New("too many logins at once")

// verify looks for the user with a name and password. A name that is not known
// takes as long as one that is: it is verified against one of the users, always
// the same one for the same name, and then fails. The error is errBusy or that
// of the context.
func (a *accounts) verify(ctx context.Context, name, password string) (User, bool, error) {
	if len(a.names) == 0 {
		return User{}, false, nil
	}
	account, known := a.byName[name]
	if !known {
		account = a.byName[a.names[maphash.String(a.seed, name)%uint64(len(a.names))]]
	}
	select {
	case a.waiting <- struct{}{}:
		defer func() { <-a.waiting }()
	default:
		return User{}, false, errBusy
	}
	select {
	case a.slots <- struct{}{}:
		defer func() { <-a.slots }()
	case <-ctx.Done():
		return User{}, false, ctx.Err()
	}
	fits := a.fits(account.hash, password)
	return User{account.name, account.role}, known && fits, nil
}
