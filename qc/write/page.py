"""A page of HTML that stands alone: no script, no network, readable on a desk, a phone and paper, by day and by night.

Everything is text unless it is `Html`, which only the functions of this module make: what comes from files is escaped
wherever it is put in, also where somebody forgot. A content security policy lets the page use its own style and the
pictures that it carries, and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Final

from qc.verdicts import CHANGED, WORDS, WRONG

COLOURS: Final[tuple[str, ...]] = (
    "#c8dfcf",  # good: pale
    "#eec23a",  # inconsistent
    "#d4692a",  # doubtful
    "#74103a",  # wrong: darkest, so that grey print keeps the order
    "#a8a8ae",  # not checked
    "#2a66a3",  # changed
    "#85b9e8",  # estimated
    "#ffffff",  # missing: paper, with a hatch or a frame
)
"""Colour of each verdict, by its code: apart for those who see no red, green or blue, and in grey from good to wrong
ever darker (`tests/write/test_page.py` computes both)."""

INKS: Final[tuple[str, ...]] = tuple("#ffffff" if code in (WRONG, CHANGED) else "#0d1110" for code in range(8))
"""Colour of letters on each of them (at least 4.5 : 1)."""

LONGEST = 400
"""Characters of one text that a page shows in a heading, a cell or within a sentence (judgement)."""
_PARAGRAPH = 4000  # characters of a sentence or a paragraph; the house's own are shorter

_MARKS = 3  # combining marks on one letter; more climb over the lines above (judgement)
_ID = re.compile(r"[a-z][a-z0-9-]{0,60}")


class Html(str):
    """Markup that is safe to put into a page. Any other `str` is text, and is escaped when it is put in."""

    __slots__ = ()


def clean(value: object, longest: int = LONGEST) -> str:
    """Text as it may be shown: cut at `longest`; what does not print, or turns the line's direction, becomes `·`."""
    given = str(value)
    out: list[str] = []
    marks = 0
    for c in given[: longest + 1]:
        if unicodedata.combining(c):
            marks += 1
            if marks > _MARKS:
                continue
        else:
            marks = 0
        out.append(" " if c in "\n\r\t" else c if c.isprintable() else "·")
    return "".join(out) if len(given) <= longest else "".join(out[: longest - 1]) + "…"


def escaped(value: object, longest: int = LONGEST) -> Html:
    """A text as markup; what is markup already stays."""
    return value if isinstance(value, Html) else Html(html.escape(clean(value, longest)))


def joined(parts: Iterable[object], between: str = "") -> Html:
    """Parts one after the other, texts escaped; a word from a file is best put in as `foreign`."""
    return Html(str(escaped(between)).join(escaped(part, _PARAGRAPH) for part in parts))


def foreign(value: object, longest: int = LONGEST) -> Html:
    """A word of the user's own within a sentence: its direction of writing stays its own."""
    return Html(f"<bdi>{escaped(value, longest)}</bdi>")


def strong(value: object) -> Html:
    """What must not be overlooked."""
    return Html(f"<strong>{escaped(value)}</strong>")


def code(value: object, longest: int = LONGEST) -> Html:
    """A name as it stands in a file."""
    return Html(f"<code>{escaped(value, longest)}</code>")


def text(*parts: object) -> Html:
    """A paragraph."""
    return Html(f"<p>{joined(parts)}</p>\n")


def note(*parts: object) -> Html:
    """A paragraph that stands out: a limit of use, a caution."""
    return Html(f'<p class="note">{joined(parts)}</p>\n')


def items(parts: Iterable[object]) -> Html:
    """A list."""
    return Html("<ul>\n" + "".join(f"<li>{escaped(part, _PARAGRAPH)}</li>\n" for part in parts) + "</ul>\n")


def facts(pairs: Mapping[str, object] | Iterable[tuple[object, object]]) -> Html:
    """Names with what is known of each."""
    rows = pairs.items() if isinstance(pairs, Mapping) else pairs
    return Html(
        "<dl>\n" + "".join(f"<dt>{escaped(name)}</dt><dd>{escaped(told)}</dd>\n" for name, told in rows) + "</dl>\n"
    )


def verdict(number: int, words: str | None = None) -> Html:
    """A verdict: its code on its colour, and its word beside it (`words=""` for the code alone)."""
    told = WORDS[number].replace("_", " ") if words is None else words
    title = "" if told else f' title="{WORDS[number].replace("_", " ")}"'
    mark = f'<b class="v v{number}"{title}>{number}</b>'
    return Html(f'<span class="verdict">{mark} {escaped(told)}</span>' if told else mark)


def table(
    head: Sequence[object],
    rows: Iterable[Sequence[object]],
    *,
    caption: object,
    numbers: Collection[int] = (),
    keep: Collection[int] = (),
    heads: int = 1,
) -> Html:
    """A table.

    Parameters
    ----------
    head : names of the columns.
    rows : cells of each row, texts or markup.
    caption : what the table shows.
    numbers : places of the columns that hold numbers: they stand to the right.
    keep : places of the columns whose cells stay in one line: times, short words with a unit.
    heads : how many cells at the beginning of each row name it.
    """
    kind = [' class="n"' if n in numbers else ' class="k"' if n in keep else "" for n in range(len(head))]
    top = "".join(f'<th scope="col"{kind[n]}>{escaped(name)}</th>' for n, name in enumerate(head))
    lines = []
    for row in rows:
        if len(row) != len(head):
            raise ValueError(f"a row has {len(row)} cells where {len(head)} belong")
        cells = (
            f'<th scope="row"{kind[n]}>{escaped(cell)}</th>' if n < heads else f"<td{kind[n]}>{escaped(cell)}</td>"
            for n, cell in enumerate(row)
        )
        lines.append(f"<tr>{''.join(cells)}</tr>\n")
    frame = f'<div class="wide" tabindex="0" role="region" aria-label="{escaped(clean(caption))}">'
    return Html(
        f"{frame}\n<table>\n<caption><span>{escaped(caption)}</span></caption>\n"
        f"<thead><tr>{top}</tr></thead>\n<tbody>\n{''.join(lines)}</tbody>\n</table>\n</div>\n"
    )


def picture(data: bytes, alt: object, caption: object, *, small: bool = False) -> Html:
    """A PNG or SVG within the page: `alt` says what it shows to those who do not see it. Scripts in an SVG never run.

    A picture that is not `small` keeps a readable width on a phone, and is moved sideways there.
    """
    kind = "png" if data.startswith(b"\x89PNG\r\n\x1a\n") else "svg+xml" if b"<svg" in data[:1000] else ""
    if not kind:
        raise ValueError("is neither a PNG nor an SVG")
    source = f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
    image = f'<img src="{source}" alt="{escaped(alt, 1000)}">'
    frame = f'<div class="wide" tabindex="0" role="region" aria-label="{escaped(alt, 1000)}">{image}</div>'
    start, inner = ('<figure class="small">', image) if small else ("<figure>", frame)
    return Html(f"{start}\n{inner}\n<figcaption>{escaped(caption, 1000)}</figcaption>\n</figure>\n")


def section(title: object, *body: object, id: str = "", level: int = 2) -> Html:
    """A part of the page under its heading; `id` (small letters, digits, -) is what `contents` points to."""
    if id and not _ID.fullmatch(id):
        raise ValueError("an id is a small letter, then small letters, digits and -")
    if not 2 <= level <= 4:
        raise ValueError("a section has level 2, 3 or 4; the page's title is 1")
    return Html(
        f"<section{f' id={chr(34)}{id}{chr(34)}' if id else ''}>\n<h{level}>{escaped(title)}</h{level}>\n"
        f"{joined(body)}</section>\n"
    )


def contents(parts: Iterable[tuple[str, object]], label: str = "On this page") -> Html:
    """Where to find what: the id and the title of sections."""
    links = []
    for id, title in parts:
        if not _ID.fullmatch(id):
            raise ValueError("an id is a small letter, then small letters, digits and -")
        links.append(f'<li><a href="#{id}">{escaped(title)}</a></li>\n')
    return Html(f'<nav aria-label="{escaped(label)}">\n<ol>\n{"".join(links)}</ol>\n</nav>\n')


def page(title: object, *body: object, above: object = "", below: object = "") -> str:
    """The whole document.

    Parameters
    ----------
    title : heading, and the name of the tab.
    body : markup, or texts.
    above : a line above the heading: what kind of page this is.
    below : a line at the foot: what made the page, from what.
    """
    policy = f"default-src 'none'; img-src data:; style-src '{_STYLE_SUM}'; base-uri 'none'; form-action 'none'"
    over = f'<p class="kind">{escaped(above)}</p>\n' if above else ""
    foot = f"<footer><p>{escaped(below, 2000)}</p></footer>\n" if below else ""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n<meta name="color-scheme" content="light dark">\n'
        f"<title>{escaped(title, 120)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        f"<header>\n{over}<h1>{escaped(title)}</h1>\n</header>\n<main>\n{joined(body)}</main>\n{foot}</body>\n</html>\n"
    )


def _marks() -> str:
    colours = zip(COLOURS, INKS, strict=True)
    return "".join(f".v{n}{{background:{colour};color:{ink}}}\n" for n, (colour, ink) in enumerate(colours))


STYLE: Final = """
:root{--paper:#fbfaf6;--ink:#1d2321;--soft:#58625d;--line:#d5d4cb;--leaf:#235c4f;--tint:#eeede5;--sheet:#ffffff}
@media (prefers-color-scheme:dark){
:root{--paper:#171b1a;--ink:#e4e6e1;--soft:#a2aca6;--line:#3a413e;--leaf:#86c9b4;--tint:#222826;--sheet:#f7f6f1}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0 auto;padding:1.5rem 1.25rem 3rem;max-width:62rem;background:var(--paper);color:var(--ink);
font:1rem/1.55 Charter,Georgia,"DejaVu Serif",serif;overflow-wrap:anywhere;tab-size:4}
h1,h2,h3,h4,.kind,nav,table,figcaption,dt,footer{font-family:"Segoe UI",Roboto,"DejaVu Sans",Arial,sans-serif}
h1{font-size:1.7rem;line-height:1.2;margin:.1rem 0 1.2rem;font-weight:600}
h2{font-size:1.2rem;line-height:1.3;margin:2.6rem 0 .7rem;padding-top:.5rem;border-top:2px solid var(--leaf);
font-weight:600}
h3{font-size:1.02rem;margin:1.7rem 0 .4rem;font-weight:600}
h4{font-size:.95rem;margin:1.2rem 0 .3rem;font-weight:600}
p,ul,dl{max-width:44rem}
p{margin:.5rem 0 .8rem}
ul{padding-left:1.2rem}
li{margin:.2rem 0}
a{color:var(--leaf)}
code{font:.9em "DejaVu Sans Mono",Menlo,Consolas,monospace}
.kind{color:var(--soft);margin:0;font-size:.9rem}
.note{border-left:4px solid var(--leaf);background:var(--tint);padding:.6rem .9rem}
nav ol{padding:0;margin:0 0 1rem;list-style:none;display:flex;flex-wrap:wrap;gap:.2rem 1.1rem;font-size:.9rem}
nav li{margin:0}
dl{display:grid;grid-template-columns:minmax(7rem,11rem) 1fr;gap:.25rem 1rem;margin:.6rem 0 1rem}
dt{color:var(--soft);font-size:.88rem;padding-top:.1rem}
dd{margin:0}
.wide{overflow-x:auto}
.wide:focus-visible{outline:2px solid var(--leaf);outline-offset:2px}
table{border-collapse:collapse;font-size:.86rem;line-height:1.4;margin:.8rem 0 1.2rem;overflow-wrap:break-word}
caption{text-align:left;color:var(--soft);padding-bottom:.4rem}
caption span{display:inline-block;max-width:min(44rem,calc(100vw - 2rem))}
th,td{text-align:left;vertical-align:top;padding:.28rem .7rem .28rem 0;border-bottom:1px solid var(--line);
max-width:26rem}
th{font-weight:600}
thead th{border-bottom:2px solid var(--line);vertical-align:bottom}
tbody th{font-weight:500}
.n{text-align:right;font-variant-numeric:tabular-nums;padding-left:.6rem}
td.n,.k{white-space:nowrap}
.verdict{white-space:nowrap}
.v{display:inline-block;min-width:1.35em;padding:0 .3em;border-radius:.2em;border:1px solid var(--soft);
text-align:center;font:600 .82em/1.45 "DejaVu Sans",Arial,sans-serif;print-color-adjust:exact;
-webkit-print-color-adjust:exact}
figure{margin:1rem 0 1.6rem}
figure img{display:block;width:100%;height:auto;background:var(--sheet);border-radius:4px}
figure.small{max-width:26rem}
figcaption{color:var(--soft);font-size:.86rem;line-height:1.45;margin-top:.4rem;max-width:44rem}
footer{margin-top:3rem;border-top:1px solid var(--line);color:var(--soft);font-size:.82rem}
@media (max-width:40rem){
body{padding:1rem .9rem 2rem}
h1{font-size:1.4rem}
dl{grid-template-columns:1fr;gap:0}
dd{margin:0 0 .5rem}
table{width:max-content;max-width:none}
th,td{max-width:12.5rem}
figure .wide img{width:36rem;max-width:none}}
@page{size:A4;margin:16mm 14mm 18mm}
@media print{
:root{--paper:#fff;--ink:#000;--soft:#444;--line:#bbb;--leaf:#235c4f;--tint:#f4f4f0;--sheet:#fff}
body{max-width:none;padding:0;font-size:9.5pt;line-height:1.4}
dl{gap:.1rem 1rem}
figcaption{margin-top:.2rem}
nav{display:none}
h1{font-size:17pt}
h2{font-size:12.5pt;margin-top:1.1rem}
h1,h2,h3,h4,caption{break-after:avoid}
figure,tr,.note,dl{break-inside:avoid}
tbody tr:first-child,tbody tr:nth-child(2){break-before:avoid}
p,dl{margin:.35rem 0 .6rem}
thead{display:table-header-group}
.wide{overflow:visible}
table{font-size:8pt}
figure img,figure .wide img{width:auto;max-width:100%;max-height:215mm}
a{color:inherit;text-decoration:none}}
""" + _marks()
"""The one style of all pages."""

_STYLE_SUM = f"sha256-{base64.b64encode(hashlib.sha256(STYLE.encode('utf-8')).digest()).decode('ascii')}"
