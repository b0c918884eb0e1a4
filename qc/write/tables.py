"""The small tables beside the flagged one: episodes and rejected lines."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from qc.episodes import Episode
from qc.record import RejectedLine
from qc.write.text import guarded, number, stamp

EPISODES = ("from", "to", "channel", "check", "verdict", "values", "worst", "limit", "message")
REJECTS = ("file", "line", "reason", "text")
_LONGEST = 65536  # characters of a rejected line that are kept, as of a cell (contract 4)


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table as text, cells that a spreadsheet would run guarded, each row on one line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([guarded(_one_line(cell)) for cell in row] for row in rows)
    return out.getvalue()


def _one_line(cell: str) -> str:
    return cell.translate({0: "·", 10: "·", 13: "·"})


def episodes_csv(episodes: Iterable[Episode]) -> str:
    """`ID.TABLE.episodes.csv`."""
    return csv_text(
        EPISODES,
        (
            (
                stamp(e.start), stamp(e.end), e.channel, e.check, str(e.verdict), str(e.values),
                number(round(e.worst, 6)), number(round(e.limit, 6)), e.message,
            )
            for e in episodes
        ),
    )  # fmt: skip


def rejects_csv(rejects: Iterable[RejectedLine]) -> str:
    """`ID.rejects.csv`."""
    return csv_text(REJECTS, ((_text(r.file), str(r.line), r.reason, r.text[:_LONGEST]) for r in rejects))


def _text(path: str) -> str:
    return path.encode("utf-8", "replace").decode("utf-8")
