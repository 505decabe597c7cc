package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"github.com/spf13/cobra"

	"nightcage/cmd/internal/room"
)

type roomOptions struct {
	home homeFlags
	addr string
}

func newRoomCommand() *cobra.Command {
	var o roomOptions
	cmd := &cobra.Command{
		Use:   "room",
		Short: "Serve the film room: look at swings in a browser",
		Long: `Room serves pages on this machine: tonight's clips and where they stand, and each
measured swing with its pictures, lines, events, measures and findings. It prints
the address to open. A point or an event that is wrong can be corrected there by
hand, with a token of scope admin (nightcage token add).

It listens on loopback unless told otherwise. At another address every page asks
for a token of scope read, as the password; put something that encrypts in front.
Hitters of whom nobody has said that they may be shown (nightcage consent) are left
out there.

` + exitCodesHelp,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.home.bind(cmd.Flags())
	cmd.Flags().StringVar(&o.addr, "addr", "127.0.0.1:8080", "`ADDRESS` to listen at; port 0 takes a free one")
	return cmd
}

// stopWithin is how long open pages may take to finish when the command ends.
const stopWithin = 3 * time.Second

func (o *roomOptions) run(ctx context.Context, out, log io.Writer) error {
	s, err := o.home.open(ctx, log)
	if err != nil {
		return err
	}
	defer s.close()
	held, err := (&rulesFlag{}).load(s.home.Dir())
	if err != nil {
		return err
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", o.addr)
	if err != nil {
		return usageError{fmt.Errorf("--addr %q: %w", o.addr, err)}
	}
	defer l.Close()
	ip := l.Addr().(*net.TCPAddr).IP
	r, err := room.New(room.Options{Home: s.home, Ledger: s.ledger, Records: s.records, Rules: held, Log: s.log, Afar: !ip.IsLoopback()})
	if err != nil {
		return err
	}
	// A live page stays open, so its time to write is its handler's affair.
	srv := &http.Server{Handler: r, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, WriteTimeout: time.Minute,
		MaxHeaderBytes: 1 << 16, BaseContext: func(net.Listener) context.Context { return ctx }}
	fmt.Fprintf(out, "the film room is open at http://%s/\n", l.Addr())
	stop := context.AfterFunc(ctx, func() {
		late, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
		defer cancel()
		_ = srv.Shutdown(late)
	})
	defer stop()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the film room: %w", err)
	}
	return nil
}
