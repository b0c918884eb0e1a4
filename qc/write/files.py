"""Outputs that appear whole or not at all.

Everything is written under a temporary name first and renamed at the end, `summary.json` last. Older outputs are
replaced only if they are the ones that the summary beside them tells of, and the new period contains the old (contract
2), or with `replace`.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import secrets
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any

from qc.errors import OutputError, printable


class Outputs:
    """A set of files for one folder, as a context: after `publish` all are there, else none of them is.

    Parameters
    ----------
    folder : path
        made if it does not exist; so are folders in it that names lead into (`data/a.csv`).
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sums: dict[str, str] = {}
        self._waiting: dict[str, Path] = {}
        self._made: list[Path] = []

    def __enter__(self) -> Outputs:
        where = printable(self.folder, 200)
        try:
            if self.folder.exists() and not self.folder.is_dir():
                raise OutputError("is no folder", where=where, mend="give a folder with --out")
            self._make(self.folder)
        except OSError as error:
            self._tidied()
            raise OutputError(
                f"cannot be made ({error.strerror})", where=where, mend="give another folder with --out"
            ) from None
        return self

    def _make(self, folder: Path) -> None:
        self._made = [p for p in (folder, *folder.parents) if not p.exists()] + self._made  # the innermost first
        folder.mkdir(parents=True, exist_ok=True)

    def write(self, name: str, pieces: Iterable[bytes]) -> None:
        """Write one file under its temporary name, and take its SHA-256."""
        path = self.folder / name
        waiting = path.with_name(
            f".{path.name}.{secrets.token_hex(4)}.part"
        )  # what a killed run left must not stop the next one
        digest = hashlib.sha256()
        try:
            self._make(path.parent)
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
        for name in self._waiting:
            if (self.folder / name).is_dir():  # the one thing that a file cannot replace: look before any is replaced
                raise OutputError("is a folder", where=printable(self.folder / name, 200), mend="move it away")
        for name, waiting in list(self._waiting.items()):
            try:
                waiting.replace(self.folder / name)
            except OSError as error:
                raise _failed(self.folder / name, error) from None
            del self._waiting[name]
        self._made = []

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._tidied()

    def _tidied(self) -> None:
        for waiting in self._waiting.values():
            with contextlib.suppress(OSError):
                waiting.unlink()
        for folder in self._made:
            with contextlib.suppress(OSError):
                folder.rmdir()


def _failed(path: Path, error: OSError) -> OutputError:
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    mend = "make room or give another folder with --out" if full else "give a folder that can be written"
    return OutputError(f"cannot be written ({error.strerror})", where=printable(path, 200), mend=mend)


def may_replace(
    folder: Path,
    names: Iterable[str],
    summary_name: str,
    periods: dict[str, tuple[str, str]],
    *,
    delivery: bool = False,
) -> None:
    """Refuse to replace outputs that are not Fairvane's own, were changed, or cover more than the new ones; also those
    of a check by a delivery, and the other way round: their summaries have one name.

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
    there = [name for name in (*names, summary_name) if os.path.lexists(folder / name)]
    if not there:
        return
    for name in there:
        if not (folder / name).is_file():
            raise OutputError(
                "is no plain file", where=printable(folder / name, 200), mend="give another folder, or move it away"
            )
    where = printable(folder / there[0], 200)
    mend = "give another folder, or --replace"
    try:
        old: dict[str, Any] = json.loads(summary.read_text("utf-8"))
        sums = dict(old["outputs"])
        covered = {table: (entry["period"]["from"], entry["period"]["to"]) for table, entry in old["tables"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise OutputError("stands there already, without a summary that tells of it", where=where, mend=mend) from None
    if _is_delivery(old) is not delivery:
        kinds = ("a check", "a delivery") if delivery else ("a delivery", "a check")
        raise OutputError(f"tells of {kinds[0]}, not of {kinds[1]}", where=printable(summary, 200), mend=mend)
    for name in there:
        if name == summary_name:
            continue
        if name not in sums:
            raise OutputError(
                "stands there already, and the summary beside it does not tell of it", where=where, mend=mend
            )
        try:
            with (folder / name).open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            raise OutputError(
                f"cannot be read ({error.strerror})", where=printable(folder / name, 200), mend=mend
            ) from None
        if found != sums[name]:
            raise OutputError("was changed since it was written", where=printable(folder / name, 200), mend=mend)
    for table, (first, last) in covered.items():
        if first is None:  # no row lay in the period then, so nothing is lost
            continue
        new = periods.get(table)
        if new is None or _time(new[0]) > _time(str(first)) or _time(new[1]) < _time(str(last)):
            covers = f"covers {first} to {last}, more than the new one"
            raise OutputError(covers, where=printable(summary, 200), mend=mend)


def stale(folder: Path, names: Iterable[str], summary_name: str, *, delivery: bool = False) -> list[Path]:
    """Outputs of an earlier run that the new one does not write: its summary would not tell of them any more.

    Only files that the old summary names with their present sum, and that lie in the folder; those of a check begin
    with the station's id. Outputs of a check are none of a delivery's, and the other way round.
    """
    try:
        old = json.loads((folder / summary_name).read_text("utf-8"))
        sums = dict(old["outputs"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []
    if _is_delivery(old) is not delivery:
        return []
    begins = "" if delivery else summary_name.removesuffix("summary.json")
    known, found = set(names), []
    for name, told in sums.items():
        path = folder / name
        inside = path.resolve().is_relative_to(folder.resolve()) and not path.is_symlink()
        if name in known or not inside or not name.startswith(begins) or (not delivery and Path(name).name != name):
            continue
        with contextlib.suppress(OSError):
            if path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == told:
                found.append(path)
    return found


def _is_delivery(summary: Any) -> bool:
    return isinstance(summary, dict) and "delivery" in summary


def _time(text: str) -> tuple[str, str]:
    """A stamp that sorts: whole seconds, then their fraction."""
    whole, _, fraction = text.removesuffix("Z").partition(".")
    return whole, fraction


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
        if error.errno not in (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS) or not waiting.exists():
            raise _failed(path, error) from None
        if path.exists():  # a disk without links (FAT)
            raise OutputError("exists", where=where, mend="give another name, or move it away") from None
        waiting.replace(path)
    finally:
        with contextlib.suppress(OSError):
            waiting.unlink()
