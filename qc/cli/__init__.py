"""The command line: one short file a command, no arithmetic. Commands are loaded when they are called."""

from __future__ import annotations

import importlib
import logging
import os
import sys
from typing import Any

import click

from qc.errors import FairvaneError, nearest, printable
from qc.version import __version__

COMMANDS = {
    "draft": "Write a station file from tables.",
    "check": "Check tables, write them flagged.",
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


@click.command(cls=Lazy, context_settings=CONTEXT)
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


def main(arguments: list[str] | None = None) -> None:
    """Run a command and leave with its exit status; an error is one line on standard error."""
    logging.basicConfig(
        stream=sys.stderr, format="fairvane: %(message)s", level=os.environ.get("FAIRVANE_LOG", "WARNING").upper()
    )
    sys.exit(_status(arguments))


def _status(arguments: list[str] | None) -> int:
    try:
        status = cli.main(args=arguments, prog_name="fairvane", standalone_mode=False)
    except click.UsageError as error:
        where = f"; see `{error.ctx.command_path} --help`" if error.ctx else ""
        return _told(f"{' '.join(error.format_message().rstrip('.').split())}{where}", 2)
    except click.ClickException as error:
        return _told(error.format_message(), 2)
    except FairvaneError as error:
        return _told(error.line(), error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        return _told("stopped; nothing was written", 2)
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w")  # noqa: PTH123, SIM115 - nobody listens any more: the interpreter must not complain at exit
        return 0
    except MemoryError:
        return _told("not enough memory; give fewer files at once", 2)
    except Exception as error:
        logging.getLogger("fairvane").debug("traceback", exc_info=True)
        kind = f"{type(error).__name__}: {error}"
        return _told(f"a defect in Fairvane: {kind}; FAIRVANE_LOG=debug shows where: please report it", 1)
    return status if isinstance(status, int) else 0


def _told(line: str, status: int) -> int:
    click.echo(f"fairvane: {printable(line, 2000)}", err=True)
    return status


def show(document: Any) -> None:
    """One JSON document on standard output, without NaN."""
    import json

    click.echo(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))
