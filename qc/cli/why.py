"""`fairvane why`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli import options
from qc.cli.asked import asked, name_refused
from qc.cli.files import files_or_store, plain_files
from qc.cli.progress import bar


@click.command("why")
@options.STATION_FILE
@options.SOME_TABLE_FILES
@options.STORE
@click.option("--channel", "channel_name", required=True, metavar="NAME", help="The channel of the value.")
@click.option("--at", "at", required=True, metavar="T", help="Its stamp; without a zone on the logger clock.")
@options.AS_OF
@options.NEIGHBOURS
@options.RULES
@options.as_json("")
@options.QUIET
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
    from qc.moments import either
    from qc.read.source import Look
    from qc.read.tables import read_tables
    from qc.why import channel_of, why

    wanted = asked(station_file, rules_file, neighbours, as_of=as_of)
    station = wanted.station
    channel = channel_of(station, channel_name)
    moments = either(at, station, what="--at")
    look = Look(station.table_of(channel), channel, tuple(moments))
    with bar("reading", quiet=quiet or as_json) as progress:
        if store is None:
            record, refused = read_tables(station, table_files, progress=progress, note=look.note)
        else:
            from qc.archive.taken import record_of

            record, refused = record_of(store, station, look=look), []
    name_refused(refused)
    document = why(record, wanted.limits, channel, moments, as_of=wanted.future, look=look, neighbours=wanted.beside)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        from qc.write.explained import explained

        click.echo(explained(document))
    return 1 if refused else 0
