"""`python -m qc` is `fairvane`."""

from qc.cli import main

main()
