"""`fairvane diagnose`."""

from __future__ import annotations

from pathlib import Path

import click

from qc.cli import options
from qc.cli.asked import asked, checked, of_files
from qc.cli.files import out_folder, plain_files
from qc.cli.progress import bar
from qc.errors import UsageError, nearest, printable


@click.command("diagnose")
@options.STATION_FILE
@options.TABLE_FILES
@options.OUT
@options.FROM
@options.TO
@options.NEIGHBOURS
@options.RULES
@click.option("--fail-on", metavar="FAULT,...", help="Leave with status 3 where one of these is found; `any` for all.")
@options.REPLACE
@options.as_json("the findings")
@options.QUIET
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
    fatal = _wanted(fail_on)
    plain_files(table_files)
    plain_files(neighbours)
    out_folder(out)
    from qc import run_diagnosis

    wanted = asked(station_file, rules_file, neighbours, first=first, last=last)
    result = checked(wanted, of_files(wanted, table_files), silent=quiet or as_json)
    with bar("testing", quiet=quiet or as_json) as progress:
        found = run_diagnosis.diagnose_checked(result.checked, progress=progress)
    document = run_diagnosis.write(found, out, replace=replace)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        click.echo(run_diagnosis.told(found, document, out))
    if fatal is not None and any(f.fault.id in fatal for f in found.findings):
        return 3
    return 1 if result.refused else 0


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
