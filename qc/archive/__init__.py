"""The store of a fleet: ledger, raw lines, archive, and the run that keeps them every night."""
