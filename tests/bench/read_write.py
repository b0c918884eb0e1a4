"""Reading and writing without checks, against pyarrow alone: `python -m tests.bench.read_write`.

The floor: pyarrow reads the table and writes one of the flagged shape. Both in this process, after imports, in
alternating pairs. Promised: at most 2 times the floor.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench import year

PAIRS = 5


def floor(table: Path, out: Path) -> None:
    """What pyarrow needs to read the table and to write time, and for each channel value, verdict, checks and cell."""
    import numpy as np
    import pyarrow as pa
    from pyarrow import csv

    read = csv.read_csv(table)
    verdict, words = pa.array(np.zeros(read.num_rows, np.uint8)), pa.nulls(read.num_rows, pa.string())
    columns = {"time": read.column("Time")}
    for name in read.column_names[1:]:
        columns |= {name: read.column(name), f"{name}_verdict": verdict, f"{name}_checks": words, f"{name}_read": words}
    csv.write_csv(pa.table(columns), out, csv.WriteOptions(quoting_style="none"))


def ours(table: Path, out: Path) -> None:
    """Fairvane's reader and writer, with every line accounted for and no check."""
    import numpy as np

    from qc.chain import CheckedTable
    from qc.read.tables import read_tables
    from qc.station import parse
    from qc.verdicts import ChannelVerdicts
    from qc.write.files import Outputs
    from qc.write.flagged import csv_pieces, flagged

    station = parse(year.station_text().encode())
    record, _ = read_tables(station, [table])
    one = record.tables["one"]
    verdicts = {name: ChannelVerdicts.empty(one.rows) for name in one.channels}
    codes = {name: v.merged(np.isfinite(one.channels[name].values)) for name, v in verdicts.items()}
    with Outputs(out) as outputs:
        outputs.write("bench.one.flagged.csv", csv_pieces(flagged(CheckedTable(one, verdicts, codes))))
        outputs.publish()


def timed(work: Callable[[Path, Path], None], table: Path, out: Path) -> float:
    """Seconds of one run."""
    start = time.perf_counter()
    work(table, out)
    return time.perf_counter() - start


def main() -> None:
    """Print both medians and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "year.csv"
        year.write(table)
        timed(floor, table, Path(folder) / "floor.csv")  # imports and caches
        timed(ours, table, Path(folder) / "ours")
        pairs = [
            (timed(floor, table, Path(folder) / "floor.csv"), timed(ours, table, Path(folder) / "ours"))
            for _ in range(PAIRS)
        ]
        low, high = (statistics.median(p[i] for p in pairs) for i in (0, 1))
        ratio = statistics.median(b / a for a, b in pairs)
        size = table.stat().st_size / 1e6
        print(f"table {size:.1f} MB; floor {low:.2f} s, read and write {high:.2f} s, ratio {ratio:.2f} (at most 2)")


if __name__ == "__main__":
    main()
