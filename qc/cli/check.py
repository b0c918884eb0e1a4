"""`fairvane check`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli.files import Filled, out_folder, plain_files
from qc.cli.progress import bar
from qc.cli.warm import warm
from qc.errors import UsageError, nearest, printable

FORMATS = ("csv", "parquet", "netcdf")


@click.command("check")
@click.argument("station_file", type=Filled())
@click.argument("table_files", nargs=-1, required=True, type=Filled(), metavar="TABLE_FILE...")
@click.option("--out", required=True, type=Filled(), metavar="DIR", help="Folder for the outputs; made if need be.")
@click.option("--from", "first", metavar="T", help="First stamp wanted, inclusive; without a zone on the logger clock.")
@click.option("--to", "last", metavar="T", help="Last stamp wanted, inclusive; a date alone means all of that day.")
@click.option("--as-of", metavar="T", help="Now, for the test of stamps in the future; left out, none lies there.")
@click.option(
    "--write", default="csv", show_default=True, metavar="csv,parquet,netcdf", help="Formats of the flagged table."
)
@click.option(
    "--neighbour",
    "neighbours",
    multiple=True,
    type=Filled(),
    metavar="FLAGGED",
    help="Flagged table that `check` wrote for another station, its summary.json beside it; may be given again.",
)
@click.option("--rules", "rules_file", type=Filled(), metavar="FILE", help="Overrides of limits for many stations.")
@click.option("--fill-gaps", is_flag=True, help="Write rows for the times at which none was read.")
@click.option(
    "--fail-on",
    type=click.Choice(["inconsistent", "doubtful", "wrong"]),
    help="Leave with status 3 where a value is at least that bad.",
)
@click.option("--replace", is_flag=True, help="Replace outputs that stand in the way.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as one JSON document, and nothing else.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
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
    from qc.moments import moment, period
    from qc.neighbours import read as read_neighbours
    from qc.read.tables import read_tables
    from qc.station import load

    station = load(station_file)
    limits = run.limits_of(station, rules_file)
    span = period(first, last, station)
    future = moment(as_of, station, last=True, what="--as-of") if as_of is not None else None
    beside = read_neighbours(neighbours, station)
    warm()
    with bar("reading", quiet=quiet or as_json) as progress:
        record, refused = read_tables(station, table_files, progress=progress)
    for error in refused:
        click.echo(f"fairvane: {error.line()}", err=True)
    with bar("checking", quiet=quiet or as_json) as progress:
        result = run.check_record(
            record, limits, period=span, as_of=future, refused=refused, progress=progress, neighbours=beside
        )
    document = run.write(result, out, formats=formats, fill_gaps=fill_gaps, replace=replace)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        from qc.write.terminal import told

        click.echo(told(result, document, out))
    return _status(document, fail_on, bool(refused))


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
