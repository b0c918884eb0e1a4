"""The command line: one short file a command, no arithmetic. Commands are loaded when they are called."""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import logging
import os
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Any

import click

from qc.errors import FairvaneError, UsageError, nearest, printable
from qc.version import __version__

COMMANDS = {
    "draft": "Write a station file from tables.",
    "check": "Check tables, write them flagged.",
    "why": "Tell why one value has its verdict.",
    "diagnose": "Name faults: what, since when, how sure, whether to drive.",
    "rehearse": "Plant the faults of the book in your own tables: what would diagnosis catch?",
    "faults": "Print the fault book.",
    "nightly": "Run a fleet: read what came in, check, diagnose, digest.",
    "deliver": "Make a folder for a client: flagged data, means, completeness, logs, sums.",
    "rules": "Show the limits in force, each with its source, and the reach of the chain.",
    "demo": "Write the sample station and run it.",
}

CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 110}


class Lazy(click.Group):
    """A group that imports a command when it is called, so that `--help` stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All commands, in the order of use."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one."""
        if cmd_name not in COMMANDS:
            raise click.UsageError(f"there is no command '{printable(cmd_name, 40)}'{nearest(cmd_name, COMMANDS)}", ctx)
        command: click.Command = importlib.import_module(f"qc.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Names and one line each, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(cls=Lazy, context_settings=CONTEXT, no_args_is_help=False)
@click.version_option(__version__, prog_name="fairvane", message="%(prog)s %(version)s")
def cli() -> None:
    """Fairvane tells which values of a weather station hold, which do not, and why.

    \b
    Example:
      fairvane demo hello                         a station to look at
      fairvane draft *.csv --latitude 54.6 --longitude -2.9 --elevation 310 --out my.station.toml
      fairvane check my.station.toml *.csv --out checked

    Flags are no basis for warnings that protect life.
    """


_UNHEARD = (errno.EPIPE, errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)
LEVELS = ("debug", "info", "warning", "error", "critical")


def main(arguments: list[str] | None = None) -> None:
    """Run a command and leave with its exit status; an error is one line on standard error."""
    _write_anything()
    with _stopped_gently():
        status = _status(sys.argv[1:] if arguments is None else arguments)
    sys.exit(status)


def _status(arguments: list[str]) -> int:
    try:
        _log(os.environ.get("FAIRVANE_LOG", "warning"))
        with cli.make_context("fairvane", list(arguments)) as context:
            status = cli.invoke(context)
        if sys.stdout is not None:
            sys.stdout.flush()
    except click.exceptions.Exit as leave:  # --help, --version
        return leave.exit_code
    except click.UsageError as error:
        see = f"see `{error.ctx.command_path if error.ctx else 'fairvane'} --help`"
        return _told(f"{printable(' '.join(error.format_message().rstrip('.').split()), 400)}; {see}", 2)
    except click.ClickException as error:
        return _told(error.format_message(), 2)
    except FairvaneError as error:
        return _told(error.line(), error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        return _told("stopped; nothing was written", 2)
    except MemoryError:
        return _told("not enough memory; give fewer files at once", 2)
    except Exception as error:
        if (
            isinstance(error, OSError) and error.filename is None and error.errno in _UNHEARD
        ):  # outputs tell their own errors
            sys.stdout = open(os.devnull, "w")  # noqa: PTH123, SIM115 - nobody listens: the interpreter must not try again at exit
            told = f"standard output: cannot be written ({error.strerror}); send it elsewhere"
            return 0 if error.errno == errno.EPIPE else _told(told, 1)
        logging.getLogger("fairvane").debug("traceback", exc_info=True)
        kind = f"{type(error).__name__}: {error}"
        return _told(f"a defect in Fairvane: {kind}; FAIRVANE_LOG=debug shows where: please report it", 1)
    return status if isinstance(status, int) else 0


def _told(line: str, status: int) -> int:
    with contextlib.suppress(OSError):
        click.echo(f"fairvane: {printable(line, 2000)}", err=True)
    return status


def _log(level: str) -> None:
    if level.lower() not in LEVELS:
        raise UsageError(
            f"'{printable(level, 20)}' is no level", where="FAIRVANE_LOG", mend=f"choose from {', '.join(LEVELS)}"
        )
    logging.basicConfig(stream=sys.stderr, format="fairvane: %(message)s", level=level.upper())


def _write_anything() -> None:
    """Let a terminal of few letters show an escape where it lacks one, rather than end the run."""
    if isinstance(sys.stdout, io.TextIOWrapper) and sys.stdout is sys.__stdout__:
        sys.stdout.reconfigure(errors="backslashreplace")


@contextlib.contextmanager
def _stopped_gently() -> Iterator[None]:
    """Take SIGTERM as Ctrl-C, so that no temporary file is left behind."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def show(document: Any) -> None:
    """One JSON document on standard output, without NaN."""
    import json

    utf8 = (getattr(sys.stdout, "encoding", None) or "utf-8").lower().replace("-", "") == "utf8"
    click.echo(json.dumps(document, indent=1, ensure_ascii=not utf8, allow_nan=False))
