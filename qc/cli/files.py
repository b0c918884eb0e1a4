"""What the commands ask of table files before anything heavy is loaded."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from qc.errors import UsageError, printable


def plain_files(paths: Sequence[Path]) -> None:
    """Raise UsageError for the first path that is no plain file."""
    for path in paths:
        where = printable(path, 200)
        if path.is_dir():
            raise UsageError("is a folder", where=where, mend="give the files in it")
        if not path.exists():
            raise UsageError("does not exist", where=where, mend="mend the path")
        if not path.is_file():
            raise UsageError("is no plain file", where=where, mend="give a file on a disk")
