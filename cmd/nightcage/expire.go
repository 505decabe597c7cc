package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcage/worker"
)

type expireOptions struct {
	home           homeFlags
	queue          queueFlags
	clips, records age
	yes            bool
	asJSON         bool
}

func newExpireCommand() *cobra.Command {
	var o expireOptions
	cmd := &cobra.Command{
		Use:   "expire",
		Short: "Remove clips or records that are older than you want to keep",
		Long: `Expire counts what was submitted longer ago than told, and with --yes removes it
and counts again. --clips removes the film itself and keeps the numbers; --records
removes records with their stills and tracks, ledger rows and queue entries, and
keeps the film. Clips that are still to be measured are left alone.

Run it from a timer to keep no more than you promised to.

` + exitCodesHelp + `
Expire ends with 1 when anything remains.`,
		Example: "  nightcage expire --clips 90d --records 2y --yes",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd)
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	cmd.Flags().Var(&o.clips, "clips", "remove clips submitted longer ago than `AGE`: 90d, 8w, 2y")
	cmd.Flags().Var(&o.records, "records", "remove records of clips submitted longer ago than `AGE`")
	cmd.Flags().BoolVar(&o.yes, "yes", false, "remove it; without this expire only counts")
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the counts as JSON")
	return cmd
}

func (o *expireOptions) run(cmd *cobra.Command) error {
	r := worker.Retention{Clips: time.Duration(o.clips), Records: time.Duration(o.records)}
	if r == (worker.Retention{}) {
		return usageError{errors.New("say what to remove: --clips AGE, --records AGE, or both")}
	}
	ctx := cmd.Context()
	desk, leave, err := o.home.openDesk(ctx, cmd.ErrOrStderr(), o.queue)
	if err != nil {
		return err
	}
	defer leave()
	do := desk.Expiring
	if o.yes {
		do = desk.Expire
	}
	p, err := do(ctx, r, time.Now())
	return errors.Join(err, printProof(cmd.OutOrStdout(), p, o.yes, o.asJSON))
}

// age is a flag's time span in days, weeks or years of 365 days.
type age time.Duration

var ageUnits = map[string]time.Duration{"d": 24 * time.Hour, "w": 7 * 24 * time.Hour, "y": 365 * 24 * time.Hour}

func (a *age) Type() string { return "age" }

func (a *age) String() string {
	if *a == 0 {
		return ""
	}
	return strconv.Itoa(int(time.Duration(*a)/ageUnits["d"])) + "d"
}

// Set reads a whole number and a unit. A bare number is refused: days and years
// must not be mixed up.
func (a *age) Set(s string) error {
	for suffix, unit := range ageUnits {
		number, ok := strings.CutSuffix(s, suffix)
		if !ok {
			continue
		}
		n, err := strconv.Atoi(number)
		if err != nil || n < 1 || n > 36500 {
			break
		}
		*a = age(time.Duration(n) * unit)
		return nil
	}
	return fmt.Errorf("%q is no age: a whole number with its unit, 90d, 8w, 2y", s)
}
