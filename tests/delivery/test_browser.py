"""The page of a delivery in a real browser: at a desk, on a phone, on paper."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from qc.write import page as shell
from tests import browser
from tests.delivery.test_report import _hostile, _page, sample_page
from tests.write.test_page import HOSTILE


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the page of the sample delivery."""
    browser.browser()
    folder = tmp_path_factory.mktemp("browser")
    (folder / "report.html").write_text(sample_page(), "utf-8")
    return folder


def test_at_a_desk_the_page_is_drawn_without_a_complaint(where: Path) -> None:
    shot, console = browser.screenshot(where, where / "report.html", "desk", 1100, 9000)
    assert console == []
    seen = np.asarray(Image.open(shot).convert("RGB")).astype(int)
    assert seen.shape == (9000, 1100, 3)
    for top in range(0, 9000, 1500):  # no blank stretch
        assert (seen[top : top + 1500].sum(axis=2) < 400).mean() > 0.003, top
    for colour in (shell.COLOURS[0], shell.COLOURS[3], shell.COLOURS[5]):  # verdicts of the calendar
        rgb = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
        assert (np.abs(seen - rgb).max(axis=2) < 12).sum() > 500, colour


@pytest.mark.parametrize("width", [360, 390, 768, 1100])
def test_nothing_sticks_out_on_any_screen(where: Path, width: int) -> None:
    found = browser.measured(where, sample_page(), width)
    assert found["width"] <= width
    assert found["wide"] == []
    assert found["height"] > 5000
    assert len(found["images"]) == 11
    assert all(natural > 800 and shown > 300 for natural, shown in found["images"])


def test_on_a_phone_pictures_stay_readable(where: Path) -> None:
    found = browser.measured(where, sample_page(), 390)
    assert sum(shown >= 560 for _, shown in found["images"]) == 10, "all but the wind rose are moved sideways"
    shot = browser.framed(where, sample_page(), "phone", 390, 3000)
    seen = np.asarray(Image.open(shot).convert("L"))[:, :390]
    assert (seen < 110).mean() > 0.01


def test_on_paper_it_is_a_few_pages_of_a4(where: Path) -> None:
    pdf = browser.printed(where, where / "report.html")
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 8 <= pages <= 20
    boxes = set(re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf))
    assert [tuple(round(float(n)) for n in box) for box in boxes] == [(595, 842)]  # A4 in points


def test_a_hostile_page_does_nothing_and_stays_in_its_frame(where: Path, tmp_path: Path) -> None:
    text = "".join(HOSTILE[:6]) + "W" * 300
    source = _page(_hostile(tmp_path / "a", text), licence=text, contact=text)
    (tmp_path / "page.html").write_text(source, "utf-8")
    _, console = browser.screenshot(where, tmp_path / "page.html", "hostile", 800, 2000)
    assert console == []
    assert browser.measured(where, source, 390)["width"] <= 390


def test_the_browser_would_tell_of_what_the_policy_forbids(where: Path) -> None:
    """These tests can fail: a style, a script and a far picture in the page are refused and told."""
    bad = sample_page().replace(
        "<main>", '<main><p style="color:red">x</p><script>1</script><img src="https://a.example/">'
    )
    (where / "bad.html").write_text(bad, "utf-8")
    _, console = browser.screenshot(where, where / "bad.html", "bad", 800, 600)
    assert len(console) >= 3
    wide = shell.page(
        "t", shell.Html('<p class="kind">' + "\u00a0" * 10 + "</p><table><tr>" + "<td>wide-word</td>" * 60 + "</table>")
    )
    assert browser.measured(where, wide, 390)["width"] > 390
