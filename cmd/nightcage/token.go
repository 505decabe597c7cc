package main

import (
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcage/worker/access"
)

func newTokenCommand() *cobra.Command {
	var home homeFlags
	cmd := &cobra.Command{
		Use:   "token",
		Short: "Say who may use what is served over HTTP",
		Long: `Token makes, lists and voids the tokens that pages and interfaces served from this
home ask for. A token is shown once, when it is made; the home keeps its hash.

` + exitCodesHelp,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	home.bind(cmd.PersistentFlags())
	cmd.AddCommand(newTokenAddCommand(&home), newTokenListCommand(&home), newTokenRevokeCommand(&home))
	return cmd
}

func (f *homeFlags) tokens(cmd *cobra.Command) (*access.Tokens, error) {
	s, err := f.open(cmd.Context(), cmd.ErrOrStderr())
	if err != nil {
		return nil, err
	}
	defer s.close()
	return access.Open(s.home.TokensPath()), nil
}

func newTokenAddCommand(home *homeFlags) *cobra.Command {
	var scopes []string
	cmd := &cobra.Command{
		Use:   "add NAME",
		Short: "Make a token for a person or a device",
		Long: `Add makes a token and prints it. It cannot be printed again: who loses it gets
another one. Scopes: read (look), submit (hand in clips), admin (everything).

` + exitCodesHelp,
		Example: "  nightcage token add \"dugout tablet\" --scope read --scope submit",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			tokens, err := home.tokens(cmd)
			if err != nil {
				return err
			}
			var wanted []access.Scope
			for _, s := range scopes {
				wanted = append(wanted, access.Scope(s))
			}
			secret, _, err := tokens.Create(args[0], wanted, time.Now())
			if errors.Is(err, access.ErrBadToken) {
				return usageError{fmt.Errorf("%w; scopes are %v", err, access.Scopes())}
			}
			if err != nil {
				return err
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), secret)
			return err
		},
	}
	cmd.Flags().StringSliceVar(&scopes, "scope", []string{string(access.Read)}, "what it allows: read, submit, admin; may be repeated")
	return cmd
}

func newTokenListCommand(home *homeFlags) *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List the tokens",
		Long:  "List shows whose tokens are valid, without the tokens.\n\n" + exitCodesHelp,
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			tokens, err := home.tokens(cmd)
			if err != nil {
				return err
			}
			all, err := tokens.List()
			if err != nil {
				return err
			}
			if len(all) == 0 {
				_, err := fmt.Fprintln(cmd.OutOrStdout(), "no tokens")
				return err
			}
			w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(w, "ID\tMADE\tALLOWS\tNAME")
			for _, t := range all {
				words := make([]string, len(t.Scopes))
				for i, s := range t.Scopes {
					words[i] = string(s)
				}
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", t.ID, t.Created.Local().Format("2006-01-02 15:04"), strings.Join(words, ", "), t.Name)
			}
			return w.Flush()
		},
	}
}

func newTokenRevokeCommand(home *homeFlags) *cobra.Command {
	return &cobra.Command{
		Use:   "revoke ID...",
		Short: "Void tokens",
		Long:  "Revoke voids tokens at once, for processes that are already serving too.\n\n" + exitCodesHelp,
		Args:  cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, ids []string) error {
			tokens, err := home.tokens(cmd)
			if err != nil {
				return err
			}
			for _, id := range ids {
				if err := tokens.Revoke(id); err != nil {
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s  revoked\n", id)
			}
			return nil
		},
	}
}
