"""A real browser for tests of pages: what it draws and measures, and what it complains about."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

_NAMES = ("chromium", "chromium-browser", "google-chrome")
_FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--hide-scrollbars",
    "--no-first-run",
    "--enable-logging=stderr",
)
_MEASURE = """<!DOCTYPE html><meta charset="utf-8"><title>measure</title><pre id="told"></pre>
<iframe id="page" width="{width}" height="{height}" style="border:0;display:block" srcdoc="{source}"></iframe>
<script>
window.addEventListener("load", () => {{
  const page = document.getElementById("page").contentDocument, root = page.documentElement
  const images = [...page.images].map(i => [i.naturalWidth, Math.round(i.getBoundingClientRect().width)])
  const wide = [...page.querySelectorAll("body *")].filter(e => !e.closest(".wide"))
    .filter(e => e.getBoundingClientRect().right > {width} + 0.5).map(e => e.tagName)
  document.getElementById("told").textContent = JSON.stringify(
    {{width: root.scrollWidth, height: root.scrollHeight, images, wide}})
}})
</script>
"""


def browser() -> str:
    """The command of a browser; skips the test where there is none."""
    for name in _NAMES:
        if found := shutil.which(name):
            return found
    pytest.skip("no Chromium at hand")


def run(where: Path, page: Path, *flags: str) -> tuple[str, list[str]]:
    """Open a page with some flags more; what came on standard output, and lines of the page's console."""
    profile = where / "profile"
    command = [browser(), *_FLAGS, f"--user-data-dir={profile}", *flags, page.resolve().as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
    return done.stdout, [line for line in done.stderr.splitlines() if "CONSOLE" in line]


def screenshot(where: Path, page: Path, name: str, width: int, height: int) -> tuple[Path, list[str]]:
    """A picture of a page in a window of some size, and lines of the console."""
    shot = where / f"{name}.png"
    _, console = run(where, page, f"--screenshot={shot}", f"--window-size={width},{height}")
    return shot, console


def measured(where: Path, source: str, width: int) -> dict[str, Any]:
    """How wide and high a page becomes in a frame of some width; its images; elements that stick out."""
    wrapper = where / f"measure_{width}.html"
    wrapper.write_text(_MEASURE.format(width=width, height=900, source=html.escape(source)), "utf-8")
    dom, _ = run(where, wrapper, "--dump-dom")
    told = re.search(r'<pre id="told">(.*?)</pre>', dom)
    assert told is not None and told.group(1), "the browser measured nothing"
    found: dict[str, Any] = json.loads(html.unescape(told.group(1)))
    return found


def framed(where: Path, source: str, name: str, width: int, height: int) -> Path:
    """A picture of a page as a screen of some width shows it, narrower than a window can be."""
    wrapper = where / f"{name}.html"
    frame = f'<iframe width="{width}" height="{height}" style="border:0" srcdoc="{html.escape(source)}"></iframe>'
    wrapper.write_text(f'<!DOCTYPE html><body style="margin:0">{frame}', "utf-8")
    return screenshot(where, wrapper, name, max(width, 500), height)[0]


def printed(where: Path, page: Path) -> bytes:
    """A page as PDF."""
    out = where / "printed.pdf"
    run(where, page, "--no-pdf-header-footer", f"--print-to-pdf={out}")
    return out.read_bytes()
