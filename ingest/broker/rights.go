package broker

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"slices"

	"github.com/mochi-mqtt/server/v2/packets"
)

// User may connect to the embedded broker.
type User struct {
	Name, Password string
	// Publish and Subscribe are the topic filters that this user may publish to,
	// a last will included, and read; none: nowhere, nothing. A filter that begins
	// with a wildcard is not about topics that begin with $ (MQTT 3.1.1 §4.7.2).
	Publish, Subscribe []string
}

type user struct {
	password           [sha256.Size]byte
	publish, subscribe []string
}

func (u user) equal(o user) bool {
	return u.password == o.password && slices.Equal(u.publish, o.publish) && slices.Equal(u.subscribe, o.subscribe)
}

func usersOf(list []User) *map[string]user {
	all := map[string]user{}
	for _, u := range list {
		all[u.Name] = user{sha256.Sum256([]byte(u.Password)), u.Publish, u.Subscribe}
	}
	return &all
}

func checkUsers(list []User) error {
	seen := map[string]bool{}
	for i, u := range list {
		switch {
		case u.Name == "":
			return fmt.Errorf("user %d has no name", i+1)
		case u.Password == "":
			return fmt.Errorf("user %q has no password: its file is empty", u.Name)
		case seen[u.Name]:
			return fmt.Errorf("user %q is named twice", u.Name)
		}
		seen[u.Name] = true
		for _, t := range slices.Concat(u.Publish, u.Subscribe) {
			if err := checkFilter(t); err != nil {
				return fmt.Errorf("user %q: %w", u.Name, err)
			}
		}
	}
	return nil
}

// SetUsers changes who may come in and what they may do. Whoever is connected
// and may do something else now is disconnected, and comes back by its own doing.
// An error changes nothing.
func (e *Embedded) SetUsers(list []User) error {
	c := e.cfg
	c.Users = list
	if err := c.check(); err != nil {
		return fmt.Errorf("embedded broker: %w", err)
	}
	old, now := *e.users.Load(), *usersOf(list)
	e.users.Store(&now)
	e.mu.Lock()
	server := e.server
	e.mu.Unlock()
	if server == nil {
		return nil
	}
	for _, cl := range server.Clients.GetAll() {
		was, known := old[string(cl.Properties.Username)]
		is, still := now[string(cl.Properties.Username)]
		same := known && still && was.equal(is) || len(old)+len(now) == 0
		if cl.Net.Inline || cl.Closed() || same {
			continue
		}
		if err := server.DisconnectClient(cl, packets.ErrAdministrativeAction); err != nil && !errors.Is(err, packets.ErrAdministrativeAction) {
			e.in.log.Debug("disconnecting a client whose rights have changed", "client", cl.ID, "err", err)
		}
	}
	return nil
}

// admits says whether the password is that user's, in constant time.
func (e *Embedded) admits(name, password []byte) bool {
	users := *e.users.Load()
	if len(users) == 0 {
		return true
	}
	u, known := users[string(name)]
	given := sha256.Sum256(password)
	return subtle.ConstantTimeCompare(given[:], u.password[:]) == 1 && known
}

// allows says whether the user may publish to a topic (write), or subscribe to a
// filter.
func (e *Embedded) allows(name []byte, filter string, write bool) bool {
	users := *e.users.Load()
	if len(users) == 0 {
		return true
	}
	u := users[string(name)] // one that is not known has no rights
	allowed := u.subscribe
	if write {
		allowed = u.publish
	}
	return slices.ContainsFunc(allowed, func(t string) bool { return covers(t, filter) })
}
