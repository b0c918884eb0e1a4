"""Outputs that appear whole or not at all.

Everything is written under a temporary name first and renamed at the end, `summary.json` last. Older outputs are replaced only if they
are the ones that the summary beside them tells of, and the new period contains the old (contract 2), or with `replace`.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any

from qc.errors import OutputError, printable


class Outputs:
    """A set of files for one folder, as a context: on a clean exit of `publish` all are there, otherwise none of them is.

    Parameters
    ----------
    folder : path
        made if it does not exist.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sums: dict[str, str] = {}
        self._waiting: dict[str, Path] = {}
        self._made: list[Path] = []

    def __enter__(self) -> Outputs:
        where = printable(self.folder, 200)
        if self.folder.exists() and not self.folder.is_dir():
            raise OutputError("is no folder", where=where, mend="give a folder with --out")
        try:
            missing = [p for p in (self.folder, *self.folder.parents) if not p.exists()]
            self.folder.mkdir(parents=True, exist_ok=True)
            self._made = missing
        except OSError as error:
            raise OutputError(f"cannot be made ({error.strerror})", where=where, mend="give another folder with --out") from None
        return self

    def write(self, name: str, pieces: Iterable[bytes]) -> None:
        """Write one file under its temporary name, and take its SHA-256."""
        waiting = self.folder / f".{name}.{os.getpid()}.part"
        digest = hashlib.sha256()
        try:
            with waiting.open("xb") as file:
                self._waiting[name] = waiting
                for piece in pieces:
                    digest.update(piece)
                    file.write(piece)
                file.flush()
        except OSError as error:
            raise _failed(self.folder / name, error) from None
        self.sums[name] = digest.hexdigest()

    def write_text(self, name: str, text: str) -> None:
        """The same for a small text."""
        self.write(name, [text.encode("utf-8")])

    def publish(self) -> None:
        """Give all files their names, in the order in which they were written."""
        for name, waiting in list(self._waiting.items()):
            try:
                waiting.replace(self.folder / name)
            except OSError as error:
                raise _failed(self.folder / name, error) from None
            del self._waiting[name]
        self._made = []

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        for waiting in self._waiting.values():
            with contextlib.suppress(OSError):
                waiting.unlink()
        for folder in self._made:
            with contextlib.suppress(OSError):
                folder.rmdir()


def _failed(path: Path, error: OSError) -> OutputError:
    mend = "make room or give another folder with --out" if error.errno in (28, 122) else "give a folder that can be written"
    return OutputError(f"cannot be written ({error.strerror})", where=printable(path, 200), mend=mend)


def may_replace(folder: Path, names: Iterable[str], summary_name: str, periods: dict[str, tuple[str, str]]) -> None:
    """Refuse to replace outputs that are not Fairvane's own, were changed, or cover more than the new ones.

    Parameters
    ----------
    names : iterable of str
        files that are to be written, without the summary.
    periods : dict
        for each table its new first and last stamp, ISO 8601 UTC.

    Raises
    ------
    OutputError
        naming the file and why.
    """
    summary = folder / summary_name
    there = [name for name in (*names, summary_name) if (folder / name).exists()]
    if not there:
        return
    where = printable(folder / there[0], 200)
    mend = "give another folder, or --replace"
    try:
        old: dict[str, Any] = json.loads(summary.read_text("utf-8"))
        sums, tables = dict(old["outputs"]), dict(old["tables"])
    except (OSError, ValueError, KeyError, TypeError):
        raise OutputError("stands there already, without a summary that tells of it", where=where, mend=mend) from None
    for name in there:
        if name == summary_name:
            continue
        if name not in sums:
            raise OutputError("stands there already, and the summary beside it does not tell of it", where=where, mend=mend)
        if hashlib.sha256((folder / name).read_bytes()).hexdigest() != sums[name]:
            raise OutputError("was changed since it was written", where=printable(folder / name, 200), mend=mend)
    for table, entry in tables.items():
        first, last = str(entry["period"]["from"]), str(entry["period"]["to"])
        new = periods.get(table)
        if new is None or new[0] > first or new[1] < last:
            covers = f"covers {first} to {last}, more than the new one"
            raise OutputError(covers, where=printable(summary, 200), mend=mend)


def write_new(path: Path, text: str) -> None:
    """Write one small file, whole or not at all; refuses to replace one.

    Raises
    ------
    OutputError
        if a file of that name stands there, or it cannot be written.
    """
    where = printable(path, 200)
    waiting = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with waiting.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
        os.link(waiting, path)  # unlike a rename it fails where the name is taken
    except FileExistsError:
        raise OutputError("exists", where=where, mend="give another name, or move it away") from None
    except OSError as error:
        raise _failed(path, error) from None
    finally:
        with contextlib.suppress(OSError):
            waiting.unlink()
