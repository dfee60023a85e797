// Rollwarden watches roll-fed, heat-cured wide-format printers and warns before
// a start that is likely to end in a head strike. It is an adviser and no
// safety interlock.
package main

import (
	"os"
	_ "time/tzdata" // shops name their zone, and not every machine has the data

	"rollwarden/cmd/rollwarden/command"
)

func main() {
	os.Exit(command.Main(os.Args[1:], os.Environ(), os.Stdout, os.Stderr))
}
