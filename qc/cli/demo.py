"""`fairvane demo`."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import click

from qc.cli import options
from qc.cli.asked import asked, checked, of_files
from qc.cli.files import Filled
from qc.errors import OutputError, printable
from qc.places import folder as data_folder

_MEND = "make room or give another folder"
STATION = "otter-fell.station.toml"


@click.command("demo")
@click.argument("folder", metavar="DIR", type=Filled())
@options.as_json("the summary")
@options.QUIET
def command(folder: Path, as_json: bool, quiet: bool) -> int:
    """Write the sample station and its tables to DIR, and check them into DIR/checked.

    \b
    Example:
      fairvane demo hello
    """
    from qc import run

    where = printable(folder, 200)
    with _new_folder(folder):
        shutil.copytree(data_folder("sample_data"), folder, dirs_exist_ok=True, copy_function=_copied)
        wanted = asked(folder / STATION, None, ())
        tables = sorted(folder.glob("otter-fell_*.csv"))
        result = checked(wanted, of_files(wanted, tables), silent=quiet or as_json)
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


@contextlib.contextmanager
def _new_folder(folder: Path) -> Iterator[None]:
    """A folder that is new or empty; whatever fails within, it is left as it was."""
    where = printable(folder, 200)
    try:
        if os.path.lexists(folder) and (not folder.is_dir() or any(folder.iterdir())):
            raise OutputError("exists and is not an empty folder", where=where, mend="give a new folder")
        made = [p for p in (folder, *folder.parents) if not p.exists()]
    except OSError as error:
        raise OutputError(f"cannot be read ({error.strerror})", where=where, mend="give a new folder") from None
    try:
        yield
    except BaseException as error:
        _emptied(folder, made)
        if isinstance(error, OSError):  # shutil.Error is one
            told = error.strerror or "not all of it"
            raise OutputError(f"cannot be written ({told})", where=where, mend=_MEND) from None
        raise


def _copied(source: str, target: str) -> None:
    try:
        shutil.copyfile(source, target)
    except OSError as error:
        raise OutputError(f"cannot be written ({error.strerror})", where=printable(target, 200), mend=_MEND) from None


def _emptied(folder: Path, made: list[Path]) -> None:
    """Take away the sample's files, by name, and the folders that were made for them."""
    sample = data_folder("sample_data")
    sources: list[Path] = []
    with contextlib.suppress(OSError):
        sources = sorted(sample.rglob("*"), reverse=True)  # what lies in a folder before the folder
    for source in sources:
        with contextlib.suppress(OSError):
            copy = folder / source.relative_to(sample)
            copy.rmdir() if source.is_dir() else copy.unlink()
    for path in made:
        with contextlib.suppress(OSError):
            path.rmdir()
