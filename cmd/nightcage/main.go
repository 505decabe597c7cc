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
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once, unless the command handles it
	err := newRootCommand().ExecuteContext(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "nightcage:", err)
	}
	os.Exit(exitCode(err))
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
