"""Paths on the command line: looked at before anything heavy is loaded."""

from __future__ import annotations

import stat
from collections.abc import Iterable, Sequence
from pathlib import Path

import click

from qc.errors import UsageError, printable


class Filled(click.Path):
    """A path that is not an empty text: an unset variable of a script must not mean the folder one happens to be in."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)  # a file that may not be read does not stop the others

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """The path."""
        if value == "":
            self.fail("the path is empty", param, ctx)
        if isinstance(value, str) and "\0" in value:
            self.fail("the path holds a NUL byte", param, ctx)
        path = super().convert(value, param, ctx)  # type: ignore[arg-type]
        assert isinstance(path, Path)
        return path


def plain_files(paths: Iterable[Path]) -> None:
    """Refuse what is no plain file: a folder, a pipe, a device, a path that leads nowhere."""
    for path in paths:
        where = printable(path, 200)
        try:
            mode = path.stat().st_mode
        except FileNotFoundError:
            raise UsageError("does not exist", where=where, mend="mend the path") from None
        except PermissionError as error:
            raise UsageError(
                f"cannot be read ({error.strerror})", where=where, mend="mend its permissions or those of its folder"
            ) from None
        except OSError as error:
            raise UsageError(f"cannot be read ({error.strerror})", where=where, mend="mend the path") from None
        except ValueError:
            raise UsageError("is no path of a file", where=where, mend="mend the path") from None
        if stat.S_ISDIR(mode):
            raise UsageError("is a folder", where=where, mend="give the files in it")
        if not stat.S_ISREG(mode):
            raise UsageError("is no plain file", where=where, mend="give a file on a disk")


def files_or_store(table_files: Sequence[Path], store: Path | None) -> None:
    """Refuse both and neither, and what is no plain file."""
    if bool(table_files) == (store is not None):
        what = "goes without table files" if table_files else "is missing, and so are table files"
        raise UsageError(what, where="--store", mend="give table files or a store")
    plain_files(table_files)


def out_folder(path: Path) -> None:
    """Refuse early what cannot be a folder for outputs; what else goes wrong with it is told at writing."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return
    if not stat.S_ISDIR(mode):
        raise UsageError(f"{printable(path, 200)} is no folder", where="--out", mend="give a folder")
