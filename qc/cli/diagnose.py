"""`fairvane diagnose`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli.files import Filled, out_folder, plain_files
from qc.cli.progress import bar
from qc.cli.warm import warm
from qc.errors import UsageError, nearest, printable


@click.command("diagnose")
@click.argument("station_file", type=Filled())
@click.argument("table_files", nargs=-1, required=True, type=Filled(), metavar="TABLE_FILE...")
@click.option("--out", required=True, type=Filled(), metavar="DIR", help="Folder for the outputs; made if need be.")
@click.option("--from", "first", metavar="T", help="First stamp wanted, inclusive; without a zone on the logger clock.")
@click.option("--to", "last", metavar="T", help="Last stamp wanted, inclusive; a date alone means all of that day.")
@click.option(
    "--neighbour",
    "neighbours",
    multiple=True,
    type=Filled(),
    metavar="FLAGGED",
    help="Flagged table that `check` wrote for another station, its summary.json beside it; may be given again.",
)
@click.option("--rules", "rules_file", type=Filled(), metavar="FILE", help="Overrides of limits for many stations.")
@click.option("--fail-on", metavar="FAULT,...", help="Leave with status 3 where one of these is found; `any` for all.")
@click.option("--replace", is_flag=True, help="Replace outputs that stand in the way.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as one JSON document, and nothing else.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def command(
    station_file: Path,
    table_files: tuple[Path, ...],
    out: Path,
    first: str | None,
    last: str | None,
    neighbours: tuple[Path, ...],
    rules_file: Path | None,
    fail_on: str | None,
    replace: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Name the faults that the tables of a station show: what, since when, how sure, and whether to drive.

    Writes ID.faults.json, ID.faults.html, and what could mend them: ID.proposed.toml (lines for the station file) and
    ID.proposed_corrections.csv (lines for the correction log).

    \b
    Example:
      fairvane diagnose otter-fell.station.toml otter-fell_a.csv otter-fell_b.csv --out diagnosed
      fairvane diagnose my.station.toml *.csv --out diagnosed --fail-on clock-offset,sensor-frozen

    \b
    Exit status:
      0  it ran, whatever it found
      1  it ran, but a file could not be read (named on standard error)
      2  unusable arguments, station file or input: one line says what, where and how to mend it; nothing is written
      3  with --fail-on: one of those faults was found
    """
    wanted = _wanted(fail_on)
    plain_files(table_files)
    plain_files(neighbours)
    out_folder(out)
    from qc import run, run_diagnosis
    from qc.moments import period
    from qc.neighbours import read as read_neighbours
    from qc.read.tables import read_tables
    from qc.station import load

    station = load(station_file)
    limits = run.limits_of(station, rules_file)
    span = period(first, last, station)
    beside = read_neighbours(neighbours, station)
    warm()
    with bar("reading", quiet=quiet or as_json) as progress:
        record, refused = read_tables(station, table_files, progress=progress)
    for error in refused:
        click.echo(f"fairvane: {error.line()}", err=True)
    with bar("checking", quiet=quiet or as_json) as progress:
        result = run.check_record(record, limits, period=span, refused=refused, progress=progress, neighbours=beside)
    with bar("testing", quiet=quiet or as_json) as progress:
        found = run_diagnosis.diagnose_checked(result.checked, progress=progress)
    document = run_diagnosis.write(found, out, replace=replace)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        click.echo(run_diagnosis.told(found, document, out))
    if wanted is not None and any(f.fault.id in wanted for f in found.findings):
        return 3
    return 1 if refused else 0


def _wanted(fail_on: str | None) -> frozenset[str] | None:
    if fail_on is None:
        return None
    from qc.faults import registry

    names = [part.strip() for part in fail_on.split(",")]
    for name in names:
        if name not in registry() and name != "any":
            told = f"'{printable(name, 40)}' is no fault that is tested{nearest(name, registry())}"
            raise UsageError(told, where="--fail-on", mend="`fairvane faults` lists them")
    return frozenset(registry()) if "any" in names else frozenset(names)
