"""Raw lines: each line that was ever read stands here once, with its file, line number and night, and stays.

`store/raw/station=ID/FIRST.parquet` holds lines by rising id, FIRST being the first of them. A file is the list of its
lines' ids (the ledger's manifest), so that any file can be put together again, byte for byte, and lines that several
files share are kept once. `FIRST-LAST.seen` are sorted sums of lines, to find whether a line is there; they can be made
again from the lines.
"""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pyarrow as pa

Ints = NDArray[np.int64]

_SUM = np.dtype([("sum", "S16"), ("id", "<i8")])
_MOST_PARTS = 12  # sorted parts that a line is looked up in before the small ones are put together (judgement)

ROWS = 20_000
"""Lines of a row group: what a night reads of years that came in one file (judgement: two weeks at 1 min)."""


@dataclass(frozen=True)
class NewLines:
    """Lines of one file: the ids of all of them, and which are new (their texts, and line numbers from 1)."""

    ids: Ints
    texts: Sequence[bytes]
    numbers: Ints
    sums: NDArray[np.void]


ASIDE = "aside"
"""Folder beside a station's lines with lines that the ledger knows nothing of, because an older copy of it was put
back: they are kept, and not read."""


def tidy(store: Path, station: str, next_line: int, runs: frozenset[str]) -> int:
    """Take away what a killed run left: lines that the ledger was never told of, and unfinished files.

    Parameters
    ----------
    runs : set of str
        tokens of the runs that the ledger knows. Lines of another run are put aside, not taken away: the ledger is an
        older copy then, and the files that they came from may be gone. Gives how many of their files there were.
    """
    aside = 0
    for path in folder(store, station).glob("*"):
        last = path.stem.rpartition("-")[2]  # the name of lines is that of their first, of sums that of their last
        if path.name.startswith(".") and path.suffix == ".part":
            path.unlink(missing_ok=True)
        elif path.suffix in (".parquet", ".seen") and last.isdecimal() and int(last) >= next_line:
            if path.suffix == ".seen" or _run_of(path) in runs:
                path.unlink(missing_ok=True)
            else:
                where = path.parent / ASIDE
                where.mkdir(exist_ok=True)
                path.replace(where / f"{path.stem}.{secrets.token_hex(4)}{path.suffix}")
                aside += 1
    return aside


def sweep(store: Path) -> None:
    """Take away unfinished files of archive and lines, wherever a run that was killed left them."""
    for pattern in ("archive/*/*/.*.part", "raw/*/.*.part"):
        for path in store.glob(pattern):
            path.unlink(missing_ok=True)


def _run_of(path: Path) -> str:
    """Token of the run that wrote a file of lines; empty where it cannot be read."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return str((pq.read_schema(path).metadata or {}).get(b"run", b"").decode("ascii", "replace"))
    except (OSError, pa.ArrowException):
        return ""


def split(raw: bytes) -> list[bytes]:
    """Physical lines with their ends: LF, CR LF or CR. Joined they are the bytes again."""
    return raw.splitlines(keepends=True)  # of bytes, these three ends alone


def folder(store: Path, station: str) -> Path:
    """Where the lines of a station lie."""
    return store / "raw" / f"station={station}"


def sums(texts: Sequence[bytes]) -> NDArray[np.bytes_]:
    """A sum of 16 bytes for each line (BLAKE2b); two lines of one sum are one line."""
    out = b"".join(hashlib.blake2b(text, digest_size=16).digest() for text in texts)
    return np.frombuffer(out, "S16")


def placed(store: Path, station: str, next_line: int, raw: bytes) -> NewLines:
    """Ids for the lines of a file: known lines keep theirs, new ones get the next."""
    texts = split(raw)
    found = sums(texts)
    ids = np.full(len(texts), -1, np.int64)
    for part in _known(store, station, next_line):
        at = np.minimum(np.searchsorted(part["sum"], found), max(len(part) - 1, 0))
        if len(part):
            hit = part["sum"][at] == found
            ids[hit] = part["id"][at[hit]]
    new = np.flatnonzero(ids < 0)
    distinct, first, place = np.unique(found[new], return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")  # new ids in the order of the lines
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    ids[new] = next_line + rank[place]
    rows = new[np.sort(first)]
    entries = np.zeros(len(distinct), _SUM)
    entries["sum"], entries["id"] = distinct, next_line + rank
    return NewLines(ids, [texts[i] for i in rows.tolist()], rows + 1, entries)


def write(store: Path, station: str, next_line: int, file: str, night: str, lines: NewLines, run: str = "") -> int:
    """Put new lines down, with the token of the run; gives the id after the last.

    The ledger must be told afterwards: until then they count as not there, and the next run writes them again under the
    same name.
    """
    import pyarrow as pa

    count = len(lines.texts)
    if not count:
        return next_line
    table = pa.table(
        {
            "id": pa.array(next_line + np.arange(count)),
            "file": pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), pa.array([file])),
            "line": pa.array(lines.numbers),
            "night": pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), pa.array([night])),
            "text": pa.array(lines.texts, pa.binary()),
        }
    ).replace_schema_metadata({"run": run})
    where = folder(store, station)
    made(where)
    _replace(where / f"{next_line:012}.parquet", _parquet(table))
    _replace(where / f"{next_line:012}-{next_line + count - 1:012}.seen", lines.sums.tobytes())
    return next_line + count


def _parquet(table: pa.Table) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd", use_dictionary=["file", "night"], row_group_size=ROWS)
    out: bytes = sink.getvalue().to_pybytes()
    return out


def replace_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, over one of its name."""
    _replace(path, content)


def made(folder_: Path) -> None:
    """Make a folder that outlasts a power cut."""
    new = [p for p in (folder_, *folder_.parents) if not p.exists()]
    folder_.mkdir(parents=True, exist_ok=True)
    for path in new:
        _synced(path.parent)


def _synced(folder_: Path) -> None:
    """Have the names in a folder written to the disk: the ledger may speak of them afterwards."""
    number = os.open(folder_, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _replace(path: Path, content: bytes) -> None:
    waiting = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with waiting.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        waiting.replace(path)
        _synced(path.parent)
    except BaseException:
        waiting.unlink(missing_ok=True)
        raise


def _parts(store: Path, station: str, next_line: int) -> list[tuple[int, Path]]:
    """Files of lines that the ledger knows of, with the id of their first line, by rising id."""
    found = [(int(p.stem), p) for p in folder(store, station).glob("[0-9]*.parquet")]
    return sorted((first, path) for first, path in found if first < next_line)


def _known(store: Path, station: str, next_line: int) -> list[NDArray[np.void]]:
    """Sorted sums of all lines below an id, in few parts; made again where they do not reach."""
    where = folder(store, station)
    spans = []
    for path in where.glob("*.seen"):
        a, _, b = path.stem.partition("-")
        spans.append((int(a), int(b), path))
    spans = sorted(s for s in spans if s[1] < next_line)
    chain, at = [], 0
    while at < next_line:  # from each id the longest part that begins there
        best = max((s for s in spans if s[0] == at), key=lambda s: s[1], default=None)
        if best is None:
            break
        chain.append(best)
        at = best[1] + 1
    sizes = [path.stat().st_size // _SUM.itemsize for _, _, path in chain]
    if at < next_line or any(n != b - a + 1 for n, (a, b, _) in zip(sizes, chain, strict=True)):
        parts, kept = [_made_again(store, station, next_line)], 0
    else:
        # mapped, not read: a search touches a few pages of years of lines
        parts = [np.memmap(path, _SUM, "r") for _, _, path in chain]
        if len(parts) <= _MOST_PARTS:
            return parts
        kept = len(parts) - 1  # those before it are much larger than all that follow: each line is moved few times
        while kept and sizes[kept - 1] <= 2 * sum(sizes[kept:]):
            kept -= 1
    whole = np.sort(np.concatenate(parts[kept:]), order="sum")
    first = chain[kept][0] if kept else 0
    if next_line:
        name = f"{first:012}-{next_line - 1:012}.seen"
        _replace(where / name, whole.tobytes())
        for begin, _, path in spans:
            if begin >= first and path.name != name:
                path.unlink(missing_ok=True)
    return [*parts[:kept], whole]


def _made_again(store: Path, station: str, next_line: int) -> NDArray[np.void]:
    ids, texts = [], []
    for path_ids, path_texts in _read(store, station, next_line):
        ids.append(path_ids)
        texts += path_texts
    out = np.zeros(len(texts), _SUM)
    if texts:
        out["sum"], out["id"] = sums(texts), np.concatenate(ids)
    return out


def _read(store: Path, station: str, next_line: int) -> list[tuple[Ints, list[bytes]]]:
    import pyarrow.parquet as pq

    out = []
    for _, path in _parts(store, station, next_line):
        table = pq.read_table(path, columns=["id", "text"], partitioning=None)
        out.append((table.column("id").to_numpy(), table.column("text").to_pylist()))
    return out


def texts(store: Path, station: str, wanted: Ints) -> dict[int, bytes]:
    """The bytes of some lines, by id.

    Raises
    ------
    KeyError
        if a line is not in the store.
    """
    import pyarrow.parquet as pq

    need = np.unique(wanted)
    out: dict[int, bytes] = {}
    if not len(need):
        return out
    parts = _parts(store, station, int(need[-1]) + 1)
    firsts = np.array([first for first, _ in parts], np.int64)
    at = np.searchsorted(firsts, need, side="right") - 1
    for n in np.unique(at).tolist():
        if n < 0:
            break
        with pq.ParquetFile(parts[n][1]) as file:
            rows = need[at == n] - firsts[n]
            rows = rows[rows < file.metadata.num_rows]
            for group in np.unique(rows // ROWS).tolist():
                some = rows[rows // ROWS == group]
                found = file.read_row_group(group, columns=["text"]).column("text").take(some - group * ROWS)
                out.update(zip((some + firsts[n]).tolist(), found.to_pylist(), strict=True))
    if len(out) != len(need):
        missing = next(i for i in need.tolist() if i not in out)
        raise KeyError(f"line {missing} of {station}")
    return out


def joined(store: Path, station: str, ids: Ints) -> bytes:
    """Some lines put together, in the order of their ids given."""
    found = texts(store, station, ids)
    return b"".join(found[i] for i in ids.tolist())
