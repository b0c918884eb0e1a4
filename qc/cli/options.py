"""Options and arguments that commands share: one wording each."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from qc.cli.files import Filled

Command = TypeVar("Command", bound=Callable[..., Any])

STATION_FILE = click.argument("station_file", type=Filled())
TABLE_FILES = click.argument("table_files", nargs=-1, required=True, type=Filled(), metavar="TABLE_FILE...")
SOME_TABLE_FILES = click.argument("table_files", nargs=-1, type=Filled(), metavar="[TABLE_FILE...]")
STORE = click.option(
    "--store", type=Filled(), metavar="DIR", help="The store of `fairvane nightly`, in place of table files."
)
OUT = click.option(
    "--out", required=True, type=Filled(), metavar="DIR", help="Folder for the outputs; made if need be."
)
FROM = click.option(
    "--from", "first", metavar="T", help="First stamp wanted, inclusive; without a zone on the logger clock."
)
TO = click.option("--to", "last", metavar="T", help="Last stamp wanted, inclusive; a date alone means all of that day.")
AS_OF = click.option(
    "--as-of", metavar="T", help="Now, for the test of stamps in the future; left out, none lies there."
)
NEIGHBOURS = click.option(
    "--neighbour",
    "neighbours",
    multiple=True,
    type=Filled(),
    metavar="FLAGGED",
    help="Flagged table that `check` wrote for another station, its summary.json beside it; may be given again.",
)
RULES = click.option(
    "--rules", "rules_file", type=Filled(), metavar="FILE", help="Overrides of limits for many stations."
)
REPLACE = click.option("--replace", is_flag=True, help="Replace outputs that stand in the way.")
QUIET = click.option("--quiet", is_flag=True, help="Print nothing but errors.")


def as_json(what: str) -> Callable[[Command], Command]:
    """The option `--json` of a command that prints `what`; nothing where that is plain."""
    told = f"{what} as one" if what else "one"
    return click.option("--json", "as_json", is_flag=True, help=f"Print {told} JSON document, and nothing else.")
