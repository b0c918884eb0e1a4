"""`fairvane check`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli import options
from qc.cli.asked import asked, checked, of_files
from qc.cli.files import out_folder, plain_files
from qc.errors import UsageError, nearest, printable

FORMATS = ("csv", "parquet", "netcdf")


@click.command("check")
@options.STATION_FILE
@options.TABLE_FILES
@options.OUT
@options.FROM
@options.TO
@options.AS_OF
@click.option(
    "--write", default="csv", show_default=True, metavar="csv,parquet,netcdf", help="Formats of the flagged table."
)
@options.NEIGHBOURS
@options.RULES
@click.option("--fill-gaps", is_flag=True, help="Write rows for the times at which none was read.")
@click.option(
    "--fail-on",
    type=click.Choice(["inconsistent", "doubtful", "wrong"]),
    help="Leave with status 3 where a value is at least that bad.",
)
@options.REPLACE
@options.as_json("the summary")
@options.QUIET
def command(
    station_file: Path,
    table_files: tuple[Path, ...],
    out: Path,
    first: str | None,
    last: str | None,
    as_of: str | None,
    write: str,
    neighbours: tuple[Path, ...],
    rules_file: Path | None,
    fill_gaps: bool,
    fail_on: str | None,
    replace: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Check the tables of a station and write them flagged, with episodes, rejected lines and a summary.

    \b
    Example:
      fairvane check otter-fell.station.toml otter-fell_a.csv otter-fell_b.csv --out checked
      fairvane check my.station.toml *.csv --out checked --from 2026-03-01 --to 2026-03-31 --write csv,parquet
      fairvane check my.station.toml *.csv --out checked --neighbour mill/mill.ten.flagged.csv \\
        --neighbour weir/weir.ten.flagged.csv

    \b
    Exit status:
      0  it ran, whatever it found
      1  it ran, but a file could not be read (named on standard error)
      2  unusable arguments, station file or input: one line says what, where and how to mend it; nothing is written
      3  with --fail-on: something at least that bad was found
    """
    formats = _formats(write)
    plain_files(table_files)
    plain_files(neighbours)
    out_folder(out)
    from qc import run

    wanted = asked(station_file, rules_file, neighbours, first=first, last=last, as_of=as_of)
    result = checked(wanted, of_files(wanted, table_files), silent=quiet or as_json)
    document = run.write(result, out, formats=formats, fill_gaps=fill_gaps, replace=replace)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        from qc.write.terminal import told

        click.echo(told(result, document, out))
    return _status(document, fail_on, bool(result.refused))


def _formats(write: str) -> list[str]:
    formats = list(dict.fromkeys(part.strip() for part in write.split(",")))
    for name in formats:
        if name not in FORMATS:
            told = f"'{printable(name, 20)}' is no format{nearest(name, FORMATS)}"
            raise UsageError(told, where="--write", mend=f"choose from {', '.join(FORMATS)}")
    return formats


def _status(document: dict[str, object], fail_on: str | None, refused: bool) -> int:
    from qc.verdicts import WORDS, WRONG

    tables = document["tables"]
    assert isinstance(tables, dict)
    if fail_on:
        bad = WORDS[WORDS.index(fail_on) : WRONG + 1]
        if any(
            channel["verdicts"][word] for t in tables.values() for channel in t["channels"].values() for word in bad
        ):
            return 3
    return 1 if refused else 0
