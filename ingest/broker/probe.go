package broker

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"slices"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Login is who we are at an external broker, and where that is.
type Login struct {
	URL, ClientID, Username, Password string
	TLS                               *tls.Config // nil: the system's trust
}

// Probe connects once as a client that leaves nothing behind, asks for the filters
// and says which of them the broker refuses. It publishes nothing. An error says
// in plain words why the broker does not take us; it holds no secret.
func Probe(ctx context.Context, who Login, limit time.Duration, filters []string) (refused []string, err error) {
	u, err := brokerURL(who.URL)
	if err != nil {
		return nil, err
	}
	o := mqtt.NewClientOptions().AddBroker(u.String()).SetClientID(who.ClientID).SetUsername(who.Username).SetPassword(who.Password).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(limit).SetTLSConfig(who.TLS).
		SetCustomOpenConnectionFn(func(at *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
			return dial(ctx, at, limit, who.TLS)
		})
	c := mqtt.NewClient(o)
	defer c.Disconnect(100)
	if err := mqtt.WaitTokenTimeout(c.Connect(), limit); err != nil {
		return nil, explain(err, who.Username, who.ClientID)
	}
	if len(filters) == 0 {
		return nil, nil
	}
	ask := map[string]byte{}
	for _, f := range filters {
		ask[f] = 0
	}
	token := c.SubscribeMultiple(ask, func(mqtt.Client, mqtt.Message) {}).(*mqtt.SubscribeToken)
	if err := mqtt.WaitTokenTimeout(token, limit); err != nil && len(token.Result()) == 0 {
		return nil, fmt.Errorf("the broker let us in, but does not answer when asked for topics: %w", err)
	}
	for f, code := range token.Result() {
		if code == refusedCode {
			refused = append(refused, f)
		}
	}
	slices.Sort(refused)
	return refused, nil
}
