"""`fairvane draft`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli.files import Filled, plain_files
from qc.cli.progress import bar
from qc.errors import printable


@click.command("draft")
@click.argument("table_files", nargs=-1, required=True, type=Filled(), metavar="TABLE_FILE...")
@click.option("--latitude", type=float, required=True, metavar="D", help="Degrees north; south is negative.")
@click.option("--longitude", type=float, required=True, metavar="D", help="Degrees east; west is negative.")
@click.option("--elevation", type=float, required=True, metavar="M", help="Metres above mean sea level, of the ground.")
@click.option("--id", "station_id", metavar="ID", help="Id of the station; left out, from the name of the first file.")
@click.option(
    "--out",
    type=Filled(),
    metavar="FILE",
    help="Write the station file there; left out, to standard output.",
)
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print one JSON document with the text and the open questions, and nothing else.",
)
@click.option("--quiet", is_flag=True, help="Do not list the open questions.")
def command(
    table_files: tuple[Path, ...], latitude: float, longitude: float, elevation: float, station_id: str | None,
    out: Path | None, as_json: bool, quiet: bool,
) -> int:  # fmt: skip
    """Look at tables and write the station file that `check` needs, with a comment wherever it is not sure.

    \b
    Example:
      fairvane draft otter-fell_*.csv --latitude 54.61 --longitude -2.95 --elevation 310 --out my.station.toml

    Give all files of the station at once: the more it sees, the less it has to ask (day or month first, markers,
    clock).
    """
    from qc.cli import show
    from qc.draft import draft
    from qc.write.files import write_new

    plain_files(table_files)
    with bar("looking", quiet=quiet or as_json) as progress:
        drafted = draft(table_files, latitude, longitude, elevation, station_id=station_id, progress=progress)
    if out is not None:
        write_new(out, drafted.text)
    if as_json:
        show({"station_file": drafted.text, "written": str(out) if out else None, "questions": drafted.questions})
        return 0
    if out is None:
        click.echo(drafted.text, nl=False)
    if not quiet:
        if out is not None:
            click.echo(f"Written: {printable(out, 200)}")
        for question in drafted.questions:
            click.echo(f"Not sure: {question}", err=True)
    return 0
