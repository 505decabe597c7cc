// Command nightcage measures baseball and softball swings from single-camera
// clips: on a queue overnight, or one clip at a time.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"nightcage/worker"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once, unless the command handles it
	root := newRootCommand()
	root.PersistentPreRunE = confine
	err := root.ExecuteContext(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "nightcage:", err)
	}
	os.Exit(exitCode(err))
}

// confine takes the network, and what else no measuring needs, from commands that
// open a clip in this very process. They write where they are told to, so they have
// no wall round files, as a worker's analysis has.
func confine(cmd *cobra.Command, _ []string) error {
	if name := cmd.Name(); name == "measure" || name == "judge" || name == "sheet" {
		return worker.Confine()
	}
	return nil
}

func newRootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:           "nightcage",
		Short:         "Measure baseball and softball swings from single-camera clips",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.AddCommand(newMeasureCommand(), newSubmitCommand(), newWorkCommand(), newRecordsCommand(), newStatusCommand(),
		newRetryCommand(), newStaleCommand(), newRemakeCommand(), newTokenCommand(), newAuditCommand(), newJudgeCommand(), newCalibrateCommand(), newMeasuresCommand(), newWhyCommand(), newChangeCommand(), newCompareCommand(), newExportCommand(), newSheetCommand(), newRoomCommand(), newWatchCommand(), newMorningCommand(), newForgetCommand(), newExpireCommand(), newConsentCommand(), newAnalyzeChildCommand())
	usageErrors(root)
	return root
}
