"""Runs of the command line, in this process or as one of its own, and what a folder held before and after."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from qc.cli import main

NOBODY = 65534


@dataclass(frozen=True)
class Ran:
    """What a run left: its exit status, and what it wrote to standard output and standard error."""

    status: int
    out: str
    err: str

    @property
    def line(self) -> str:
        """The one line on standard error; the test fails where it is not exactly one, or not fit for a terminal."""
        assert self.err.endswith("\n"), f"no line on standard error: {self.err!r}"
        line = self.err[:-1]
        assert line.startswith("fairvane: "), self.err
        assert line.isprintable(), f"more than one line, or signs that a terminal obeys: {self.err!r}"
        assert "Traceback" not in line and "defect" not in line, self.err
        return line


@contextlib.contextmanager
def no_waiting(seconds: int = 120) -> Iterator[None]:
    """Fail where something waits for ever, as the reader of a pipe would."""

    def stop(number: int, frame: object) -> None:
        raise AssertionError("it waits for ever")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def here(capsys: pytest.CaptureFixture[str], *arguments: object) -> Ran:
    """Run in this process."""
    capsys.readouterr()
    with no_waiting(), pytest.raises(SystemExit) as left:
        main([a if isinstance(a, str) else os.fspath(a) for a in arguments])  # type: ignore[call-overload]
    said = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return Ran(left.value.code, said.out, said.err)


def apart(*arguments: object, script: str | None = None, **options: Any) -> Ran:
    """Run as a process of its own; `script` runs before the command line is entered."""
    words = [a if isinstance(a, bytes) else str(a) for a in arguments]
    program = f"{script or ''}\nfrom qc.cli import main\nmain()\n"
    options = {
        "stdin": subprocess.DEVNULL,
        "stdout": subprocess.PIPE,
        "stderr": subprocess.PIPE,
        "timeout": 120,
    } | options
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])} | options.pop("env", {})
    done: Any = subprocess.run([sys.executable, "-c", program, *words], check=False, env=environment, **options)
    out, err = (bytes(x or b"").decode("utf-8", "surrogateescape") for x in (done.stdout, done.stderr))
    return Ran(done.returncode, out, err)


def held(folder: Path) -> dict[str, bytes | str]:
    """What a folder holds, in all depths: files with their bytes, else the kind."""
    found: dict[str, bytes | str] = {}
    for path in sorted(folder.rglob("*")):
        name = os.fsdecode(path.relative_to(folder))
        if path.is_symlink():
            found[name] = f"link to {path.readlink()}"
        elif path.is_file():
            found[name] = path.read_bytes()
        else:
            found[name] = "folder" if path.is_dir() else "special"
    return found
