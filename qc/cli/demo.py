"""`fairvane demo`."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from qc.cli.progress import bar
from qc.errors import OutputError, printable

STATION = "otter-fell.station.toml"


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the summary as one JSON document, and nothing else.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def command(folder: Path, as_json: bool, quiet: bool) -> int:
    """Write the sample station and its tables to DIR, and check them into DIR/checked.

    \b
    Example:
      fairvane demo hello
    """
    from qc import run
    from qc.places import folder as data_folder
    from qc.read.tables import read_tables
    from qc.station import load

    where = printable(folder, 200)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError("exists and is not an empty folder", where=where, mend="give a new folder")
    new = not folder.exists()
    try:
        shutil.copytree(data_folder("sample_data"), folder, dirs_exist_ok=True, copy_function=shutil.copyfile)
    except (OSError, shutil.Error) as error:
        if new:
            shutil.rmtree(folder, ignore_errors=True)
        told = getattr(error, "strerror", None) or "some files cannot be copied"
        raise OutputError(f"cannot be written ({told})", where=where, mend="give another folder") from None
    station = load(folder / STATION)
    tables = sorted(folder.glob("otter-fell_*.csv"))
    with bar("reading", quiet=quiet or as_json) as progress:
        record, _ = read_tables(station, tables, progress=progress)
    with bar("checking", quiet=quiet or as_json) as progress:
        result = run.check_record(record, run.limits_of(station), progress=progress)
    document = run.write(result, folder / "checked")
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        from qc.write.terminal import told as told_

        click.echo(told_(result, document, folder / "checked"))
        names = " ".join(printable(t.name) for t in tables)
        click.echo(f"\nThe same by hand:\n  cd {where}\n  fairvane check {STATION} {names} --out again")
    return 0
