"""`ID.faults.html`: what diagnosis says, one section a finding, for the person who decides whether to drive."""

from __future__ import annotations

from collections.abc import Sequence

from qc.diagnosis import Diagnosis, Finding
from qc.faults import doc, steps
from qc.moments import utc_text
from qc.version import __version__
from qc.write import page
from qc.write.page import Html

GO = {
    "remote": "can be settled from the desk",
    "next-visit": "look at it at the next visit",
    "drive": "worth the drive",
}
LIMITS_OF_USE = (
    "Fairvane's advice aids a trained person; it is no safety system, and its findings are no basis for warnings that "
    "protect life. Follow local codes and site rules; leave mains, height and lightning-protection work to licensed "
    "people."
)


def faults_page(diagnosis: Diagnosis, period: tuple[str, str]) -> str:
    """The whole page: self-contained, without scripts."""
    station = diagnosis.checked.record.station.station
    name = f"{station.name} ({station.id})" if station.name else station.id
    parts = [_overview(diagnosis)]
    parts += [_finding(number, finding, diagnosis) for number, finding in enumerate(diagnosis.findings, 1)]
    parts += [_cleared(diagnosis), _not_tested(diagnosis), page.section("Limits of use", page.note(LIMITS_OF_USE))]
    return page.page(
        f"Faults at {name}",
        *parts,
        above=f"Diagnosis of {period[0]} to {period[1]}",
        below=f"Made by Fairvane {__version__}. Confidence: of findings reported at 0.9, nine in ten were right on its "
        "benchmark of planted faults (README).",
    )


def _overview(diagnosis: Diagnosis) -> Html:
    found = diagnosis.findings
    if not found:
        tested = len(diagnosis.cleared)
        return page.section(
            "Findings", page.text(f"No fault was found; {tested} tests cleared what they tested. See what was not.")
        )
    rows = [
        (
            Html(f'<a href="#finding-{number}">{page.escaped(f.fault.id)}</a>'),
            ", ".join(f.suspect.channels) or "all channels",
            f"{f.confidence:.2f}",
            _since(f),
            GO[f.suspect.go or f.fault.go],
        )
        for number, f in enumerate(found, 1)
    ]
    head = ("fault", "channels", "confidence", "since (UTC)", "what to do")
    caption = "Most confident first. Causes that the data cannot tell apart both stand."
    return page.section("Findings", page.table(head, rows, caption=caption, numbers=(2,)))


def _since(finding: Finding) -> str:
    a, b = (utc_text(m)[:16].replace("T", " ") for m in finding.suspect.onset)
    return a if a == b else f"between {a} and {b}"


def _finding(number: int, finding: Finding, diagnosis: Diagnosis) -> Html:
    suspect, text = finding.suspect, doc(finding.fault.id)
    channels = ", ".join(suspect.channels) or "all channels"
    body: list[object] = [page.text(page.strong(suspect.summary))]
    if drawn := picture_of(finding, diagnosis):
        body.append(page.picture(drawn, f"{text['Title']} {suspect.summary}", f"What the data show. {text['Shows']}"))
    facts: list[tuple[object, object]] = [
        ("confidence", f"{finding.confidence:.2f}"),
        ("channels", page.foreign(channels)),
        ("device", page.foreign(suspect.device or "not named in the station file")),
        ("seen", f"{_minute(utc_text(suspect.first))} to {_minute(utc_text(suspect.last))} UTC"),
        ("began", _since(finding) + " UTC"),
        *((key.replace("_", " "), _plain(value)) for key, value in suspect.evidence.items()),
        ("what happened", text["Happened"]),
        ("how sure", text["How sure"]),
        ("go", GO[suspect.go or finding.fault.go]),
    ]
    body.append(page.facts(facts))
    rivals = [r for r in finding.rivals if r.confidence > 0 or r.split_by]
    if rivals:
        rows = [(r.fault, f"{r.confidence:.2f}", r.split_by or "-") for r in rivals]
        body.append(
            page.table(("other cause", "confidence", "what would split them"), rows, caption="Rivals", numbers=(1,))
        )
    body.append(page.section("At the station, in this order", _ordered(steps(finding.fault.id)), level=3))
    body.append(page.text("Carry: ", text["Carry"]))
    body.append(page.note(page.strong("Caution: "), text["Caution"]))
    body.append(page.text("The data: ", text["Data"]))
    return page.section(f"{number}. {text['Title']}", *body, id=f"finding-{number}")


def _ordered(parts: Sequence[str]) -> Html:
    return Html("<ol>\n" + "".join(f"<li>{page.escaped(part)}</li>\n" for part in parts) + "</ol>\n")


def _minute(moment: str) -> str:
    return moment[:16].replace("T", " ")


def _plain(value: object) -> object:
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list | tuple):
        return page.foreign(", ".join(str(v) for v in value))
    return page.foreign(str(value))


def picture_of(finding: Finding, diagnosis: Diagnosis) -> bytes | None:
    """The finding's picture; None where it breaks on odd data: the words stand without it."""
    import logging

    from qc.write import picture

    try:
        with picture.house():
            return picture.png(finding.fault.picture(diagnosis.cases[finding.id], finding.suspect))
    except Exception as error:
        logging.getLogger("fairvane").error("the picture of %s broke: %s", finding.id, error)
        logging.getLogger("fairvane").debug("traceback", exc_info=True)
        return None


def _cleared(diagnosis: Diagnosis) -> Html:
    rows = [(fault, page.foreign(", ".join(c.channels) or "station"), c.why) for fault, c in diagnosis.cleared]
    body = (
        page.table(("fault", "channels", "why"), rows, caption="Tested, and not there.")
        if rows
        else page.text("Nothing.")
    )
    return page.section("Cleared", body)


def _not_tested(diagnosis: Diagnosis) -> Html:
    rows = [
        (fault, page.foreign(", ".join(u.channels) or "station"), u.why, u.decidable_after or "-")
        for fault, u in diagnosis.not_tested
    ]
    head = ("fault", "channels", "why", "can be decided after")
    body = page.table(head, rows, caption="What these data cannot say.") if rows else page.text("Nothing.")
    return page.section("Not tested", body)
