package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/rs/zerolog"
)

// listenHelp documents addresses; see listenAddress.
const listenHelp = "PORT or HOST:PORT; a port alone is open to this machine only"

// listenAddress completes an address that a flag gave: without a host it is this
// machine's own.
func listenAddress(s string) (string, error) {
	if !strings.Contains(s, ":") {
		s = ":" + s
	}
	host, port, err := net.SplitHostPort(s)
	if err != nil || port == "" {
		return "", usageError{fmt.Errorf("address %q: %s", s, listenHelp)}
	}
	if host == "" {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port), nil
}

// serveHTTP answers on an address until leave is called. It has the address when it
// returns.
func serveHTTP(ctx context.Context, address string, h http.Handler, log zerolog.Logger) (leave func(), err error) {
	address, err = listenAddress(address)
	if err != nil {
		return nil, err
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, usageError{err}
	}
	srv := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, IdleTimeout: time.Minute}
	go func() {
		if err := srv.Serve(l); err != http.ErrServerClosed {
			log.Error().Err(err).Msg("no longer answers over HTTP")
		}
	}()
	log.Info().Stringer("address", l.Addr()).Msg("answers over HTTP")
	return func() { srv.Close() }, nil
}
