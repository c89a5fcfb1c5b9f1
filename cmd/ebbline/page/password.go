package page

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Argon2id with 19 MiB, two passes, one lane: the OWASP Password Storage Cheat
// Sheet's second setting (cited from memory).
const (
	argonMemory  = 19 << 10 // KiB
	argonPasses  = 2
	argonLanes   = 1
	argonKeySize = 32
)

// longestPassword bounds the work that a login may ask for, in bytes.
const longestPassword = 256

// HashPassword gives the hash to keep in place of a password.
func HashPassword(password string) (string, error) {
	if password == "" || len(password) > longestPassword {
		return "", fmt.Errorf("a password has 1 to %d bytes", longestPassword)
	}
	salt := make([]byte, 16)
	if _, err := rand.Read(salt); err != nil {
		return "", fmt.Errorf("draw a salt: %w", err)
	}
	key := argon2.IDKey([]byte(password), salt, argonPasses, argonMemory, argonLanes, argonKeySize)
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemory, argonPasses, argonLanes,
		b64.EncodeToString(salt), b64.EncodeToString(key)), nil
}

var errHash = errors.New("not a password hash of ours")

// checkPassword reports whether password is the one that hash was made from.
func checkPassword(hash, password string) (bool, error) {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false, errHash
	}
	var version int
	var memory, passes uint32
	var lanes uint8
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false, errHash
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil {
		return false, errHash
	}
	if memory > 1<<20 || passes == 0 || passes > 32 || lanes == 0 {
		return false, errHash
	}
	salt, err := base64.RawStdEncoding.DecodeString(parts[4])
	if err != nil {
		return false, errHash
	}
	want, err := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil || len(want) == 0 || len(want) > 128 {
		return false, errHash
	}
	if len(password) > longestPassword {
		return false, nil
	}
	got := argon2.IDKey([]byte(password), salt, passes, memory, lanes, uint32(len(want))) //nolint:gosec // bounded above
	return subtle.ConstantTimeCompare(got, want) == 1, nil
}

// secret draws a random text of n bytes' strength, fit for URLs and cookies.
func secret(n int) string {
	b := make([]byte, n)
	// crypto/rand.Read never fails since Go 1.24: it stops the program instead.
	_, _ = rand.Read(b)
	return base64.RawURLEncoding.EncodeToString(b)
}
