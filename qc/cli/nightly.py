"""`fairvane nightly`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli import options
from qc.cli.files import Filled
from qc.cli.progress import bar
from qc.errors import UsageError


@click.command("nightly")
@click.argument("fleet_file", type=Filled())
@click.option("--jobs", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes on this machine.")
@click.option("--dask", metavar="ADDRESS", help="Scheduler of an existing Dask cluster, like tcp://127.0.0.1:8786.")
@click.option("--night", metavar="DATE", help="Name of the night, YYYY-MM-DD; left out, today in UTC.")
@options.as_json("the digest")
@options.QUIET
def command(fleet_file: Path, jobs: int, dask: str | None, night: str | None, as_json: bool, quiet: bool) -> int:
    """Read what came in, check what it touches, diagnose, and write the digest of the night.

    What it prints is digest.txt: changes only, fit for the mail that cron sends.

    \b
    Example:
      fairvane nightly fleet.toml
      fairvane nightly fleet.toml --jobs 2

    \b
    Exit status:
      0  it ran, whatever it found
      1  it ran, but a station or file could not be processed (it stands in the digest)
      2  unusable arguments or fleet file, or another run is at work
    """
    from datetime import UTC, datetime

    now = datetime.now(UTC)
    if dask and jobs != 1:
        raise UsageError("goes with one of --jobs and --dask", where="--jobs", mend="leave one out")
    if night is not None:
        try:
            night = datetime.strptime(night, "%Y-%m-%d").date().isoformat()
        except ValueError:
            raise UsageError("is no date", where="--night", mend="write it like 2026-11-25") from None
    from qc.archive import fleet, whole
    from qc.archive.workers import Cluster, Here, Processes

    found = fleet.load(fleet_file)
    workers = Cluster(dask) if dask else Processes(jobs) if jobs > 1 else Here()
    with workers, bar("nightly", quiet=quiet or as_json) as progress:
        done = whole.night(found, workers, night=night or now.date().isoformat(), now=now, progress=progress)
    if as_json:
        from qc.cli import show

        show(done.document)
    elif not quiet:
        click.echo("\n".join(done.lines))
    return 1 if done.troubled else 0
