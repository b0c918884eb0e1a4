"""`fairvane deliver`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from qc.cli import options
from qc.cli.asked import Asked, Reading, asked, checked, of_files
from qc.cli.files import files_or_store, out_folder, plain_files
from qc.errors import UsageError, nearest, printable

if TYPE_CHECKING:
    from qc.station import Station

FORMATS = ("csv", "parquet", "netcdf")
SPANS = ("hour", "day", "month")


@click.command("deliver")
@options.STATION_FILE
@options.SOME_TABLE_FILES
@options.STORE
@options.OUT
@options.FROM
@options.TO
@options.AS_OF
@click.option("--write", default="csv", show_default=True, metavar="csv,parquet,netcdf", help="Formats of the data.")
@click.option(
    "--flags", type=click.Choice(["wmo", "ioc"]), default="wmo", show_default=True, help="Codes of the flags."
)
@click.option(
    "--means", default="hour,day,month", show_default=True, metavar="hour,day,month", help="Means wanted, or none."
)
@click.option(
    "--complete",
    type=click.Choice(["2/3", "75%"]),
    default="2/3",
    show_default=True,
    help="Share of its samples that the mean of an hour or a day needs.",
)
@click.option(
    "--complete-month",
    type=click.Choice(["3/5", "11/5"]),
    default="3/5",
    show_default=True,
    help="3/5: a month has at most 5 days missing, at most 3 in a row; 11/5: fewer than 11, fewer than 5 in a row.",
)
@click.option(
    "--day-offset",
    default="+00:00",
    show_default=True,
    metavar="+HH:MM",
    help="Days and months begin at midnight of a clock so far ahead of UTC.",
)
@options.NEIGHBOURS
@options.RULES
@click.option("--licence", default="", metavar="TEXT", help="What the client may do with the data.")
@click.option("--contact", default="", metavar="TEXT", help="Who to ask.")
@click.option("--owner", default="", metavar="TEXT", help="Whose data it is.")
@click.option("--initials", is_flag=True, help="Name people in the logs by their initials.")
@click.option("--replace", is_flag=True, help="Replace a delivery that stands in the way.")
@options.as_json("the summary")
@options.QUIET
def command(
    station_file: Path,
    table_files: tuple[Path, ...],
    store: Path | None,
    out: Path,
    first: str | None,
    last: str | None,
    as_of: str | None,
    write: str,
    flags: str,
    means: str,
    complete: str,
    complete_month: str,
    day_offset: str,
    neighbours: tuple[Path, ...],
    rules_file: Path | None,
    licence: str,
    contact: str,
    owner: str,
    initials: bool,
    replace: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Make a folder for a client: flagged data that can be used, checked and cited.

    \b
    Example:
      fairvane deliver otter-fell.station.toml otter-fell_?.csv --out spring
      fairvane deliver my.station.toml *.csv --out 2026 --from 2026-01-01 --to 2026-12-31 --write netcdf \\
        --licence "CC BY 4.0" --contact "data@example.org" --initials
      fairvane deliver my.station.toml --store store --out 2026

    The folder has a README.txt that answers a client's questions, data/ with every value and its verdict, means/,
    completeness, gaps, episodes, the logs, sensors, rules with their sources, and SHA-256 sums of all of it.

    \b
    Exit status:
      0  it was made
      1  it was made, but a file could not be read (named on standard error)
      2  unusable arguments, station file or input: one line says what, where and how to mend it; nothing is written
    """
    formats = _some(write, FORMATS, "--write", "format")
    spans = [] if means.strip() == "none" else _some(means, SPANS, "--means", "span")
    files_or_store(table_files, store)
    plain_files(neighbours)
    out_folder(out)
    from qc.delivery.calendar import Calendar
    from qc.delivery.codes import SCHEMES, refuse_clash
    from qc.delivery.folder import Terms, deliver
    from qc.delivery.means import DAY_RULES, SAMPLE_RULES

    calendar = Calendar(_offset(day_offset))
    wanted = asked(station_file, rules_file, neighbours, first=first, last=last, as_of=as_of)
    station = wanted.station
    refuse_clash(station, SCHEMES[flags])
    terms = Terms(
        formats=formats,
        scheme=SCHEMES[flags],
        means=spans,
        calendar=calendar,
        samples=SAMPLE_RULES[complete],
        days=DAY_RULES[complete_month],
        initials=initials,
        licence=_text(licence, "--licence"),
        contact=_text(contact, "--contact"),
        owner=_text(owner, "--owner"),
        command=_again(
            station, table_files,
            {
                "--store": None if store is None else store.name,
                "--from": first, "--to": last, "--as-of": as_of, "--write": write, "--flags": flags, "--means": means,
                "--complete": complete, "--complete-month": complete_month, "--day-offset": day_offset,
                "--rules": None if rules_file is None else rules_file.name, "--licence": licence, "--contact": contact,
                "--owner": owner,
            },
            neighbours, initials,
        ),
        needs=_needs(station),
    )  # fmt: skip
    read = of_files(wanted, table_files) if store is None else _of_store(wanted, store)
    result = checked(wanted, read, silent=quiet or as_json)
    document = deliver(result, out, terms, replace=replace)
    if as_json:
        from qc.cli import show

        show(document)
    elif not quiet:
        from qc.write.terminal import told

        click.echo(told(result, document, out))
        click.echo(f"Read {printable(out / 'README.txt', 120)} first.")
    return 1 if result.refused else 0


def _of_store(wanted: Asked, store: Path) -> Reading:
    from qc.archive.taken import record_of

    return lambda progress: (record_of(store, wanted.station), ())


def _some(given: str, known: Sequence[str], where: str, what: str) -> list[str]:
    found = list(dict.fromkeys(part.strip() for part in given.split(",")))
    for name in found:
        if name not in known:
            told = f"'{printable(name, 20)}' is no {what}{nearest(name, known)}"
            raise UsageError(told, where=where, mend=f"choose from {', '.join(known)}")
    return [name for name in known if name in found]


def _offset(given: str) -> float:
    from qc.errors import StationFileError
    from qc.read.clock import parse_offset

    try:
        return parse_offset(given)
    except StationFileError as error:
        raise UsageError(error.what, where="--day-offset", mend=error.mend) from None


def _text(given: str, where: str) -> str:
    if len(given) > 2000:
        raise UsageError("is longer than 2000 letters", where=where, mend="shorten it")
    return given


_DEFAULTS = {
    "--write": "csv", "--flags": "wmo", "--means": "hour,day,month", "--complete": "2/3", "--complete-month": "3/5",
    "--day-offset": "+00:00",
}  # fmt: skip


def _again(
    station: Station, tables: Sequence[Path], options: dict[str, str | None], neighbours: Sequence[Path], initials: bool
) -> list[str]:
    """The command that makes the delivery again, without the folders of this machine."""
    names = sorted({path.name for path in tables})
    words = ["fairvane", "deliver", f"{station.id}.station.toml", *names, "--out", "again"]
    for name, value in options.items():
        if value and value != _DEFAULTS.get(name):
            words += [name, value]
    for path in sorted(neighbours):
        words += ["--neighbour", path.name]
    words = [printable(w, 400) for w in words]
    return [*words, *(["--initials"] if initials else [])]


def _needs(station: Station) -> list[str]:
    """Where the station file looks for the logs, where that is not where they lie in the delivery."""
    found = []
    for kind in ("visits", "decisions", "corrections"):
        name = getattr(station.station, kind)
        if name is not None and name != f"{kind}.csv":
            found.append(f"The station file looks for {kind}.csv under {printable(name, 200)}: copy it there.")
    return found
