"""Pages: what a browser may do on them, that texts stay texts, and colours that everybody can tell apart."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.verdicts import DOUBTFUL, GOOD, INCONSISTENT, MISSING, WORDS, WRONG
from qc.write import page as p

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "</style><link rel=stylesheet href=//far.example/x.css>",
    "<!-- never closed",
    "&#60;b&#62;",
    "\u202egnp.exe",
    "\u0000\u0007\u001b[31m",
    "x" * 10_000,
    "a" + "\u0301" * 500,
]


class Parsed(HTMLParser):
    """All elements with their attributes, and all text."""

    def __init__(self, source: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.open: list[str] = []
        self.feed(source)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


PNG = b"\x89PNG\r\n\x1a\n....."


def _everything(text: str) -> str:
    return p.page(
        text,
        p.contents([("one", text)]),
        p.section(
            text,
            text,
            p.text(text, p.foreign(text), p.code(text), p.strong(text)),
            p.note(text),
            p.items([text]),
            p.facts({text: text}),
            p.table([text, "n"], [[text, text]], caption=text, numbers={1}),
            p.picture(PNG, text, text),
            p.picture(PNG, text, text, small=True),
            p.verdict(WRONG, text),
            id="one",
        ),
        above=text,
        below=text,
    )


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_texts_make_no_elements_and_no_attributes(text: str) -> None:
    mine, plain = Parsed(_everything(text)), Parsed(_everything("plain"))
    assert not mine.open
    assert [(tag, list(a)) for tag, a in mine.elements] == [(tag, list(a)) for tag, a in plain.elements]
    assert [a.get("class") for _, a in mine.elements] == [a.get("class") for _, a in plain.elements]
    shown = mine.text.replace("\n", "")
    assert all(c.isprintable() for c in shown), "no control character, nothing that turns the direction"
    assert max((len(word) for word in re.findall("x+", shown)), default=0) <= 4000
    assert "\u0301" * 4 not in shown


@given(st.text())
def test_any_text_comes_back_as_text(text: str) -> None:
    found = Parsed(p.page("t", p.text(text), above="a"))
    assert [tag for tag, _ in found.elements].count("p") == 2
    assert p.clean(text) in found.text


@pytest.mark.parametrize(
    ("given", "shown"),
    [("abc", "abc"), ("x" * 400, "x" * 400), ("x" * 401, "x" * 399 + "…"), ("a\tb\r\nc", "a b  c"), ("\u2067x", "·x")],
    ids=["plain", "on-the-bound", "one-more", "blanks", "direction"],
)
def test_clean(given: str, shown: str) -> None:
    assert p.clean(given) == shown


def test_long_texts_are_cut_shorter_in_a_cell_than_in_a_paragraph() -> None:
    long = "x" * 10_000
    cell, heading, paragraph = (Parsed(html).text.count("x") for html in (
        p.table(["a"], [[long]], caption=""), p.section(long), p.text(long)))  # fmt: skip
    assert (cell, heading, paragraph) == (399, 399, 3999)


def test_markup_stays_and_a_sum_of_it_with_text_is_text() -> None:
    bold = p.strong("a")
    assert p.escaped(bold) == "<strong>a</strong>"
    assert p.escaped(bold + "<i>") == "&lt;strong&gt;a&lt;/strong&gt;&lt;i&gt;"


def test_the_policy_lets_the_page_use_its_own_style_and_pictures_and_nothing_else() -> None:
    source = p.page("t", "body")
    found = Parsed(source)
    assert not {"script", "link", "iframe", "form", "base", "object"} & {tag for tag, _ in found.elements}
    assert not any(name.startswith("on") or name == "style" for _, a in found.elements for name in a)
    policy = next(a["content"] for tag, a in found.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    style = source.split("<style>")[1].split("</style>")[0]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert rules == {
        "default-src": "'none'",
        "img-src": "data:",
        "style-src": f"'sha256-{digest}'",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    assert "url(" not in style and "@import" not in style and "<" not in style


def test_tables_name_their_rows_and_columns() -> None:
    found = Parsed(p.table(["channel", "share"], [["t", "1"], ["rh", "2"]], caption="c", numbers={1}))
    heads = [a["scope"] for tag, a in found.elements if tag == "th"]
    assert heads == ["col", "col", "row", "row"]
    assert [a.get("class") for tag, a in found.elements if tag == "td"] == ["n", "n"]
    with pytest.raises(ValueError, match="3 cells where 2"):
        p.table(["a", "b"], [["1", "2", "3"]], caption="")


def test_what_is_no_picture_and_no_id_is_refused() -> None:
    with pytest.raises(ValueError, match="neither a PNG nor an SVG"):
        p.picture(b"GIF89a", "", "")
    for id in ("A", "1a", 'a"b', "a b"):
        with pytest.raises(ValueError, match="an id is"):
            p.section("t", id=id)
        with pytest.raises(ValueError, match="an id is"):
            p.contents([(id, "t")])


# ---- colours


def _linear(colour: str) -> np.ndarray:
    v = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _lab(linear: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (D65) of linear sRGB."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    x = to_xyz @ linear / np.array([0.9505, 1.0, 1.089])
    f = np.where(x > 0.008856, np.cbrt(np.maximum(x, 0)), 7.787 * x + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


# how those see colours who lack one kind of cone (Machado, Oliveira, Fernandes 2009, severity 1; from memory)
EYES = {
    "all cones": np.eye(3),
    "no long": np.array([[0.152, 1.053, -0.205], [0.115, 0.786, 0.099], [-0.004, -0.048, 1.052]]),
    "no middle": np.array([[0.367, 0.861, -0.228], [0.280, 0.673, 0.047], [-0.012, 0.043, 0.969]]),
    "no short": np.array([[1.256, -0.077, -0.179], [-0.078, 0.931, 0.148], [0.005, 0.691, 0.304]]),
}


@pytest.mark.parametrize("eye", EYES.values(), ids=EYES)
def test_verdicts_can_be_told_apart_by_everybody(eye: np.ndarray) -> None:
    seen = [_lab(np.clip(eye @ _linear(c), 0, 1)) for c in p.COLOURS]
    for a, b in combinations(range(len(seen)), 2):
        least = 10 if {a, b} == {GOOD, MISSING} else 18  # missing has a frame or a hatch; 2 can just be told apart
        assert np.linalg.norm(seen[a] - seen[b]) >= least, (WORDS[a], WORDS[b])


def test_grey_print_gets_darker_from_good_to_wrong() -> None:
    light = [_lab(_linear(p.COLOURS[c]))[0] for c in (MISSING, GOOD, INCONSISTENT, DOUBTFUL, WRONG)]
    assert all(a - b >= 6 for a, b in pairwise(light)), light


def test_letters_on_a_verdict_can_be_read() -> None:
    """Contrast of WCAG 2, 4.5 : 1 for small letters (published)."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    for paper, ink in zip(p.COLOURS, p.INKS, strict=True):
        a, b = (float(weights @ _linear(c)) + 0.05 for c in (paper, ink))
        assert max(a, b) / min(a, b) >= 4.5, (paper, ink)
