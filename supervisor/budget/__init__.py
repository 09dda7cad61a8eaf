"""Before the flight: the planned ledger, the go/no-go, and the picture of both."""
