package page

import (
	"net/http"
	"net/netip"
	"strings"
)

// What a proxy says of the asker is believed only of a proxy on this machine, or
// of one that the configuration names: anyone else can write the same headers.

// trusted reports whether an address is that of a proxy to be believed.
func (s *Server) trusted(a netip.Addr) bool {
	a = a.Unmap()
	if a.IsLoopback() {
		return true
	}
	for _, p := range s.opts.Proxies {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// asker is the address that a request comes from: the nearest one, seen from here,
// that is no proxy to be believed. The zero address if it cannot be told.
func (s *Server) asker(r *http.Request) netip.Addr {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	a := at.Addr().Unmap()
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(hops) - 1; i >= 0 && s.trusted(a); i-- {
		text := strings.TrimSpace(hops[i])
		if text == "" {
			continue
		}
		next, err := netip.ParseAddr(hostOnly(text))
		if err != nil {
			return a // what stands further left is no better
		}
		a = next.Unmap().WithZone("")
	}
	return a
}

// overTLS reports whether the browser reached us by https, directly or through a
// proxy: the one that public_url names, or one to be believed that says so.
func (s *Server) overTLS(r *http.Request) bool {
	if r.TLS != nil || s.public != nil && s.public.Scheme == "https" && strings.EqualFold(r.Host, s.public.Host) {
		return true
	}
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && s.trusted(at.Addr()) && strings.EqualFold(strings.TrimSpace(r.Header.Get("X-Forwarded-Proto")), "https")
}
