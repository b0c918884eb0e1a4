"""`fairvane why`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli.files import Filled, files_or_store, plain_files
from qc.cli.progress import bar


@click.command("why")
@click.argument("station_file", type=Filled())
@click.argument("table_files", nargs=-1, type=Filled(), metavar="TABLE_FILE...")
@click.option("--store", type=Filled(), metavar="DIR", help="The store of `fairvane nightly`, in place of table files.")
@click.option("--channel", "channel_name", required=True, metavar="NAME", help="The channel of the value.")
@click.option("--at", "at", required=True, metavar="T", help="Its stamp; without a zone on the logger clock.")
@click.option("--as-of", metavar="T", help="Now, for the test of stamps in the future; left out, none lies there.")
@click.option(
    "--neighbour",
    "neighbours",
    multiple=True,
    type=Filled(),
    metavar="FLAGGED",
    help="Flagged table of another station, as for check; may be given again.",
)
@click.option("--rules", "rules_file", type=Filled(), metavar="FILE", help="Overrides of limits for many stations.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document, and nothing else.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def command(
    station_file: Path,
    table_files: tuple[Path, ...],
    store: Path | None,
    channel_name: str,
    at: str,
    as_of: str | None,
    neighbours: tuple[Path, ...],
    rules_file: Path | None,
    as_json: bool,
    quiet: bool,
) -> int:
    """Tell why one value has its verdict: every check on it, its number, its limits with their sources.

    \b
    Example:
      fairvane why otter-fell.station.toml otter-fell_?.csv --channel ws --at 2026-03-20T12:00
      fairvane why my.station.toml *.csv --channel t_air --at "2026-03-13 05:30Z" --json
      fairvane why my.station.toml --store store --channel t_air --at 2026-03-13T05:30

    Give all files that were checked: the verdict rests on the rows around the value; and --as-of,
    --neighbour and --rules as for check.

    \b
    Exit status:
      0  the value was found, whatever its verdict
      1  the value was found, but a file could not be read (named on standard error)
      2  unusable arguments, station file or input; no such channel, or no row of that stamp: the nearest are named
    """
    files_or_store(table_files, store)
    plain_files(neighbours)
    from qc import run
    from qc.moments import either, moment
    from qc.neighbours import read as read_neighbours
    from qc.read.source import Look
    from qc.read.tables import read_tables
    from qc.station import load
    from qc.why import channel_of, why

    station = load(station_file)
    channel = channel_of(station, channel_name)
    limits = run.limits_of(station, rules_file)
    moments = either(at, station, what="--at")
    future = moment(as_of, station, last=True, what="--as-of") if as_of is not None else None
    beside = read_neighbours(neighbours, station)
    look = Look(station.table_of(channel), channel, tuple(moments))
    with bar("reading", quiet=quiet or as_json) as progress:
        if store is None:
            record, refused = read_tables(station, table_files, progress=progress, note=look.note)
        else:
            from qc.archive.taken import record_of

            record, refused = record_of(store, station, look=look), []
    for error in refused:
        click.echo(f"fairvane: {error.line()}", err=True)
    document = why(record, limits, channel, moments, as_of=future, look=look, neighbours=beside)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        from qc.write.explained import explained

        click.echo(explained(document))
    return 1 if refused else 0
