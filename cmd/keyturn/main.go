// Command keyturn is the operator's tool of a bench: a demo without hardware,
// the replay of recordings, the leads live, and their calibration.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

// version is set when a release is built.
var version = "development"

type commands struct {
	Demo    demo             `cmd:"" help:"Run a simulated bench on a simulated vehicle: nothing to set up, nothing to wire."`
	Replay  replay           `cmd:"" help:"Measure a recording again: a capture, or a plain CSV with a time and volt columns."`
	Leads   leads            `cmd:"" help:"Show what every lead reads, live: touch one, and see which moves."`
	Import  imports          `cmd:"" help:"Measure captures and put their results into the shop's records."`
	Export  export           `cmd:"" help:"Write the shop's records as CSV, for spreadsheets, or as JSON lines."`
	Feed    feed             `cmd:"" help:"Choose the slot that feeds an accessory, from a key cycle and the box file."`
	Verdict verdict          `cmd:"" help:"Hold a fuse box to what its file says, from one or more key cycles: pass, marginal, fail or not proven, with the reasons."`
	Doctor  doctor           `cmd:"" help:"Prove the whole way of a result: bus, chips, calibration, clock, disk, broker, record keeper."`
	Dash    serveDashboard   `cmd:"" name:"dashboard" help:"The shop's server: keep the results of every bench, and show them in a browser."`
	User    userCommands     `cmd:"" help:"Keep the users of the dashboard without a browser."`
	Box     boxes            `cmd:"" help:"Box files: where the slots of a fuse box are, what each should do, what nobody may touch."`
	Exerc   exercises        `cmd:"" name:"exercise" help:"Exercise files: what an apprentice is asked about a fuse box, and which faults are planted."`
	Calib   calibrate        `cmd:"" name:"calibrate" help:"Calibrate the leads, one by one, on earth and on a voltage that a meter tells."`
	Version kong.VersionFlag `help:"Print the version and end."`
}

func main() {
	var c commands
	k := kong.Parse(&c, kong.Name("keyturn"), kong.Description("Measure what every fuse slot does at each turn of the key."),
		kong.Vars{"version": version}, kong.ShortUsageOnError())
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	k.BindTo(ctx, (*context.Context)(nil))
	if err := k.Run(); err != nil {
		fmt.Fprintln(os.Stderr, "keyturn:", err)
		os.Exit(1)
	}
}
