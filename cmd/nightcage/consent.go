package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcage/vision"
	"nightcage/worker"
)

// consentFlag is what a person tells of who agreed that film is shown to others.
type consentFlag struct{ by string }

func (f *consentFlag) bind(flags *pflag.FlagSet) {
	flags.StringVar(&f.by, "consent", "", "`WHO` agreed that this hitter may be shown to others: guardian, self (of age), none")
}

// told checks and returns it, told now.
func (f *consentFlag) told(level vision.Level) (worker.Consent, error) {
	by := worker.ConsentBy(f.by)
	if err := worker.CheckConsent(by, level); err != nil {
		return worker.Consent{}, usageError{err}
	}
	if by == "" {
		return worker.Consent{}, nil
	}
	return worker.Consent{By: by, Told: time.Now().UTC()}, nil
}

func newConsentCommand() *cobra.Command {
	var home homeFlags
	var team string
	cmd := &cobra.Command{
		Use:   "consent HITTER [guardian|self|none]",
		Short: "Say who agreed that a hitter may be shown to others, or ask",
		Long: `Consent keeps who agreed that a hitter's film and numbers may be shown to others:
a guardian, the hitter (of age), or none, which also withdraws it. It holds for
all of the hitter's records, those stored before included. Without it nothing of
the hitter leaves the home: no sheet, no export, no page for others.

Without a second word it says what was told last.

` + exitCodesHelp,
		Example: "  nightcage consent \"Tamsin Vale\" guardian --team \"Cinder Creek Comets\"",
		Args:    cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if strings.TrimSpace(team) == "" || strings.TrimSpace(args[0]) == "" {
				return usageError{errors.New("name the hitter, and the team with --team NAME")}
			}
			s, err := home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			if len(args) == 2 {
				if args[1] == "" {
					return usageError{errors.New("guardian, self or none")}
				}
				c, err := (&consentFlag{args[1]}).told("")
				if err == nil {
					err = s.ledger.TellConsent(cmd.Context(), team, args[0], c)
				}
				if err != nil {
					return err
				}
			}
			c, err := s.ledger.ConsentOf(cmd.Context(), team, args[0])
			if err != nil {
				return err
			}
			words := "nobody has said; nothing of this hitter may be shown to others"
			if c.By != "" {
				words = fmt.Sprintf("%s, told %s", c.By, c.Told.Local().Format(time.DateOnly))
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n", args[0], words)
			return err
		},
	}
	home.bind(cmd.Flags())
	cmd.Flags().StringVar(&team, "team", "", "the hitter's team, by `NAME`")
	return cmd
}
