package deliver

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net/http"
	"net/url"
	"time"
)

// defaultTimeout bounds one attempt.
const defaultTimeout = 15 * time.Second

// poster posts to one address.
type poster struct {
	address string
	timeout time.Duration
	client  *http.Client
}

// newPoster checks the address. Its errors do not repeat it. authorities are the
// certificates that may vouch for the server, nil: the system's.
func newPoster(address string, timeout time.Duration, authorities *x509.CertPool) (poster, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return poster{}, errors.New("the address is not a whole http or https URL such as https://host.example/path")
	}
	if timeout <= 0 {
		timeout = defaultTimeout
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.DisableKeepAlives = true // see freshConnections
	transport.ResponseHeaderTimeout = timeout
	transport.TLSClientConfig = &tls.Config{RootCAs: authorities, MinVersion: tls.VersionTLS12}
	return poster{address: address, timeout: timeout, client: &http.Client{
		Transport:     transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// post is one attempt; any 2xx is acceptance, whatever the answer says.
func (p *poster) post(ctx context.Context, header http.Header, body []byte) error {
	return p.do(ctx, http.MethodPost, p.address, header, body)
}

func (p *poster) do(ctx context.Context, method, address string, header http.Header, body []byte) error {
	ctx, cancel := context.WithTimeout(ctx, p.timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, address, bytes.NewReader(body))
	if err != nil {
		return &Error{Fault: Curable, text: "the address cannot be used"}
	}
	req.Header = header
	req.Header.Set("User-Agent", "ebbline")
	resp, err := p.client.Do(req)
	if err != nil {
		return lineError(err)
	}
	// What it says besides is not waited for.
	_ = resp.Body.Close()
	if resp.StatusCode/100 == 2 {
		return nil
	}
	return answerFault(resp, time.Now())
}
