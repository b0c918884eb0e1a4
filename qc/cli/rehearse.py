"""`fairvane rehearse`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli import options
from qc.cli.asked import name_refused
from qc.cli.files import out_folder, plain_files
from qc.cli.progress import bar
from qc.cli.warm import warm
from qc.errors import UsageError, nearest, printable


@click.command("rehearse")
@options.STATION_FILE
@options.TABLE_FILES
@options.OUT
@click.option(
    "--fault", "faults", multiple=True, metavar="ID", help="Plant this fault; may be given again. All, if left out."
)
@click.option(
    "--onsets", type=click.IntRange(1, 20), default=2, show_default=True, help="Plantings for each fault and grade."
)
@options.REPLACE
@options.as_json("the rehearsal")
@options.QUIET
def command(
    station_file: Path,
    table_files: tuple[Path, ...],
    out: Path,
    faults: tuple[str, ...],
    onsets: int,
    replace: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Tell what diagnosis would catch at this very station: plant each fault of the book in its tables and look for it.

    Give healthy tables of some weeks; what is wrong in them is found first, and told. Each fault is planted in three
    grades: near its threshold, as usually met, beyond doubt. Nothing is changed in the tables themselves. Writes
    ID.rehearsal.json and ID.rehearsal.png; takes some minutes for the whole book.

    \b
    Example:
      fairvane rehearse otter-fell.station.toml otter-fell_a.csv otter-fell_b.csv --out rehearsed
      fairvane rehearse my.station.toml *.csv --out rehearsed --fault clock-offset --fault gauge-open --onsets 5

    \b
    Exit status:
      0  it ran, whatever it found
      1  it ran, but a file could not be read (named on standard error)
      2  unusable arguments, station file or input: one line says what, where and how to mend it; nothing is written
    """
    _known(faults)
    plain_files(table_files)
    out_folder(out)
    from qc.rehearsal import rehearse
    from qc.station import load
    from qc.write import rehearsed

    station = load(station_file)
    warm()
    with bar("planting", quiet=quiet or as_json) as progress:
        found = rehearse(station, table_files, faults=faults, onsets=onsets, progress=progress)
    name_refused(found.refused)
    document = rehearsed.write(found, out, replace=replace)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        click.echo(rehearsed.told(found, out))
    return 1 if found.refused else 0


def _known(faults: tuple[str, ...]) -> None:
    from qc.faults import registry

    for fault in faults:
        if fault not in registry():
            told = f"'{printable(fault, 40)}' is no fault that can be planted{nearest(fault, registry())}"
            raise UsageError(told, where="--fault", mend="`fairvane faults` lists them")
