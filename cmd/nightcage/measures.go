package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"nightcage/metrics"
)

func newMeasuresCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "measures",
		Short: "Print the catalogue of measures",
		Long:  "Measures prints every measure Nightcage knows: what it is, its unit, its sign and the view it needs.",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if asJSON {
				return printJSON(cmd.OutOrStdout(), metrics.Catalogue())
			}
			_, err := fmt.Fprint(cmd.OutOrStdout(), metrics.MarkdownTable())
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the catalogue as JSON")
	return cmd
}
