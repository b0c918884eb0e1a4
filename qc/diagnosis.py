"""Diagnosis: which fault is it? The order of work, rivals, confidence.

Site facts, clock, layout, wiring, sensor, siting: after each rank what was found is undone in memory, or left out
where it cannot be, and the ranks that follow are tested on what remains. So a later cause is not blamed for an earlier
one, and is still found beneath it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from qc import chain
from qc.case import ISOLATED, Case
from qc.chain import Checked
from qc.faults import Cleared, Fault, Outcome, Suspect, Untested, registry
from qc.limits import of_faults
from qc.mends import mended
from qc.moments import utc_text
from qc.sky import Sky

_log = logging.getLogger("fairvane")

LISTED = 0.5
"""Confidence from which a finding, or the sum of those that cannot be told apart, is listed (contract 6)."""

SHARED = 0.1
"""Confidence from which a cause that cannot be told apart from a likelier one stands beside it (judgement)."""

VISITED = 1.0
"""Log-odds that a visit adds to what it can cause, where the onset lies within `VISIT_DAYS` of it (judgement)."""

VISIT_DAYS = 2.0

STAGES = (("site", "clock"), ("layout", "wiring"), ("sensor",), ("siting",))
"""Ranks tested together: a wrong longitude and a wrong clock show the same, and a wrong unit and exchanged columns.
Within a stage what was found is undone once, and the rest tested again."""

_LEVELS = (
    "unit-wrong", "constants-wrong", "sensor-frozen", "vane-stuck", "anemometer-stalled", "pyranometer-zero",
    "pyranometer-scale", "pyranometer-reversed", "tracker-astray", "barometer-reduced", "shield-heating",
    "hygrometer-ceiling", "gauge-open", "gauge-clogged", "gauge-noise", "battery-failing", "supply-disturbed",
)  # fmt: skip
EXPLAINS: Mapping[str, tuple[str, ...]] = {
    "channels-copied": ("channels-swapped", "channel-open", *_LEVELS),
    "channels-swapped": ("channel-open", *_LEVELS),
    "channel-open": _LEVELS,
    "sensor-frozen": (
        "channel-open", "unit-wrong", "constants-wrong", "vane-stuck", "anemometer-stalled", "gauge-open",
        "pyranometer-zero",
    ),
    "pyranometer-reversed": (
        "channel-open", "channels-swapped", "unit-wrong", "constants-wrong", "pyranometer-zero", "pyranometer-scale",
        "tracker-astray",
    ),
    "unit-wrong": (
        "channel-open", "channels-swapped", "constants-wrong", "pyranometer-scale", "barometer-reduced",
        "tracker-astray",
    ),
    "anemometer-stalled": ("unit-wrong", "constants-wrong"),
    "pyranometer-zero": ("tracker-astray", "sensor-frozen", "pyranometer-scale", "constants-wrong"),
    "pyranometer-scale": ("tracker-astray", "channels-swapped"),
    "constants-wrong": ("tracker-astray", "channels-swapped"),
}  # fmt: skip
"""What else the tests find where a fault is: its own doing, so it is explained away there. The values of a copied
column have a wrong level too, but a wrong unit makes no copy to the digit (judgement; written with an eye on
confusion on invented stations A and C, and on estuary). A factor of global breaks the closure, and one well below 1
puts it below the diffuse light of a covered sky."""

_FACTORS = ("pyranometer-scale", "constants-wrong")
"""What changes global by a factor: no first light moves."""

_BY_THE_SUN = ("site-facts", "clock-offset", "stamp-side")
"""Found from an irradiance; what that column's fault explains too, but for a factor, which moves no first light. A
height found by the pressure is not."""

EVIDENT = {"channels-swapped": 5.0, "pyranometer-reversed": 5.0}
"""Log-odds from which a fault is undone before all else (judgement: 150 to 1). Tests of site and clock take a column of
light for light, those of units a pressure for a pressure: where another quantity or its negative stands there, they
find what is not.
"""

WITHHELD = {"channel-open": 2.5, "constants-wrong": 1.0}
"""Log-odds from which a channel is kept from the tests of site and clock while it lasts; those after then judge it with
its rivals (judgement: 12 and 3 to 1): no light comes from a dead input, and no height changes from row to row."""

Progress = Callable[[int, int], None]
Spoilt = Sequence[tuple[str, Suspect]]
"""Ids of faults that were found, and the suspects, of which some make values useless to the tests that follow."""


@dataclass(frozen=True)
class Rival:
    """Another cause that would explain the same data."""

    fault: str
    confidence: float
    split_by: str


@dataclass(frozen=True)
class Finding:
    """One fault that diagnosis reports, with its evidence."""

    fault: Fault
    suspect: Suspect
    table: str
    log_odds: float
    confidence: float
    rivals: tuple[Rival, ...] = ()
    sunny: bool = False  # whether one of its channels is a global irradiance
    wind: bool = False  # whether one of them is a speed of the wind: mean and gust are judged by each other

    @property
    def id(self) -> str:
        """What names it over runs: fault, device or channels."""
        where = self.suspect.device or ".".join(self.suspect.channels) or "station"
        return f"{self.fault.id}@{where}"


@dataclass(frozen=True)
class Diagnosis:
    """What diagnosis says of a station: findings most confident first, what was cleared, what could not be tested.

    `cases` holds for each finding's id the Case that it was found on, for its picture.
    """

    checked: Checked
    findings: tuple[Finding, ...]
    cleared: tuple[tuple[str, Cleared], ...]
    not_tested: tuple[tuple[str, Untested], ...]
    cases: Mapping[str, Case]


class _Looked:
    """One checked record while its faults are tested: tables as cases, and what each test said of each, kept, since a
    test says the same of the same case. `skies` outlives it: a mend seldom moves the times."""

    def __init__(self, checked: Checked, skies: dict[str, Sky]) -> None:
        self.checked, self.skies = checked, skies
        self._cases: dict[tuple[str, tuple[int, ...]], tuple[Case, Spoilt]] = {}
        self._said: dict[tuple[str, str, tuple[int, ...]], Sequence[Outcome]] = {}

    def case(self, table: str, spoilt: Spoilt) -> Case:
        """The table as tests see it: without what earlier findings spoilt."""
        key = table, _spoiling(spoilt)
        if key not in self._cases:
            # what is spoilt is kept beside it, so that no other object can have its place in memory
            self._cases[key] = _case(self.checked, table, spoilt, self.skies), tuple(spoilt)
        return self._cases[key][0]

    def said(self, fault: Fault, table: str, spoilt: Spoilt) -> Sequence[Outcome]:
        """What the test of a fault says of that."""
        key = fault.id, table, _spoiling(spoilt)
        if key not in self._said:
            self._said[key] = tested(fault, self.case(table, spoilt), spoilt)
        return self._said[key]


def _spoiling(spoilt: Spoilt) -> tuple[int, ...]:
    return tuple(id(suspect) for _, suspect in spoilt if suspect.spoils)


def diagnose(
    checked: Checked, *, progress: Progress = lambda done, total: None, only: Sequence[str] = (),
    skies: dict[str, Sky] | None = None,
) -> Diagnosis:  # fmt: skip
    """Test the faults of the book on a checked record.

    Parameters
    ----------
    checked : Checked
        from `qc.chain.run`.
    progress : callable
        called with faults tested and faults in all.
    only : sequence of str
        ids of faults; left out, all of them.
    skies : dict, optional
        as `qc.chain.run` left it.
    """
    faults = [f for f in registry().values() if not only or f.id in only]
    record, now = checked.record, checked
    looked = _Looked(now, {} if skies is None else skies)
    spoilt: list[tuple[str, Suspect]] = []
    findings: list[Finding] = []
    cleared: list[tuple[str, Cleared]] = []
    untested: list[tuple[str, Untested]] = []
    cases: dict[str, Case] = {}
    carried: list[Finding] = []  # suspects of earlier stages that were not listed: they still are rivals
    done = 0
    for ranks in ((), *STAGES):
        waiting = [f for f in faults if (f.rank in ranks if ranks else f.id in EVIDENT)]
        withheld = _withheld(faults, looked) if ranks == STAGES[0] else []
        for again in (False, True):
            found: list[Finding] = []
            for table in now.tables:
                kept = spoilt + withheld
                case = looked.case(table, kept)
                for fault in waiting:
                    for outcome in looked.said(fault, table, kept):
                        if isinstance(outcome, Suspect):
                            odds = score(fault, outcome, case)
                            if not ranks and odds < EVIDENT[fault.id]:
                                continue
                            sunny, wind = _sunny(outcome, case), _windy(outcome, case)
                            found.append(Finding(fault, outcome, table, odds, 0.0, sunny=sunny, wind=wind))
                            cases.setdefault(found[-1].id, case)
                        elif not ranks:
                            continue  # told when its turn comes
                        elif isinstance(outcome, Cleared):
                            cleared.append((fault.id, outcome))
                        else:
                            untested.append((fault.id, outcome))
                    done += bool(ranks) and not again
                    progress(done, len(faults) * len(now.tables))
            mine = {f.id for f in found}
            found = _once([*found, *carried, *(_ahead(found, faults, looked, kept) if ranks else ())])
            known = {g.id for g in findings}
            listed = [f for f in weighed(found) if f.id in mine and f.id not in known]
            findings += listed
            spoilt += [(f.fault.id, f.suspect) for f in listed if f.suspect.mend is None]
            undo = [f.suspect.mend for f in listed if f.suspect.mend is not None and _likeliest(f, listed)]
            if not undo:
                break
            for mend in undo:
                record = mended(record, mend)
            now = _cut(chain.run(record, checked.limits, skies=looked.skies, only=ISOLATED), checked)
            looked = _Looked(now, looked.skies)
            waiting = [f for f in waiting if f.id not in {g.fault.id for g in listed}]
        carried += [f for f in explained(found) if f.id in mine - {g.id for g in findings} and f.log_odds > 0.0]
    findings.sort(key=lambda f: (-f.confidence, f.id))
    reported = {(f.fault.id, c) for f in findings for c in f.suspect.channels or ("",)}
    cleared = [(i, c) for i, c in cleared if not reported & {(i, n) for n in c.channels or ("",)}]
    once = {(i, c.channels): (i, c) for i, c in cleared}
    return Diagnosis(checked, tuple(findings), tuple(once.values()), tuple(_merged(untested)), cases)


def _cut(now: Checked, checked: Checked) -> Checked:
    """A mended record in the period that is diagnosed; rows around that are there for the reach of the chain."""
    if all(table.record.rows == checked.record.tables[name].rows for name, table in checked.tables.items()):
        return now
    filled = [t.record.time for t in checked.tables.values() if t.record.rows]
    return chain.period(now, min(t[0] for t in filled), max(t[-1] for t in filled)) if filled else now


def _ahead(
    found: Sequence[Finding], faults: Sequence[Fault], looked: _Looked, spoilt: Spoilt
) -> list[Finding]:  # fmt: skip
    """Suspects of later ranks that what was found has to be told from; they are tested again in their turn."""
    likely = {f.fault.id: f.fault for f in found if f.log_odds > 0.0}
    stage = max((_stage(f) for f in likely.values()), default=len(STAGES))
    later = [f for f in faults if _stage(f) > stage and any(_may_outdo(f, one) for one in likely.values())]
    out = []
    for table in looked.checked.tables if later else ():
        case = looked.case(table, spoilt)
        for fault in later:
            suspects = [o for o in looked.said(fault, table, spoilt) if isinstance(o, Suspect)]
            out += [
                Finding(fault, s, table, score(fault, s, case), 0.0, sunny=_sunny(s, case), wind=_windy(s, case))
                for s in suspects
            ]
    return out


def _sunny(suspect: Suspect, case: Case) -> bool:
    return any(c.name in suspect.channels for c in case.of("global_irradiance"))


def _windy(suspect: Suspect, case: Case) -> bool:
    return any(c.name in suspect.channels for c in case.of("wind_speed", "wind_gust", extremes=True))


def _stage(fault: Fault) -> int:
    return next(n for n, ranks in enumerate(STAGES) if fault.rank in ranks)


def _withheld(faults: Sequence[Fault], looked: _Looked) -> list[tuple[str, Suspect]]:
    """What spoils channels so plainly that tests of site, clock and layout do without them."""
    out = []
    for fault in faults:
        for table in looked.checked.tables if fault.id in WITHHELD else ():
            case = looked.case(table, ())
            found = [o for o in looked.said(fault, table, ()) if isinstance(o, Suspect)]
            out += [(fault.id, o) for o in found if score(fault, o, case) >= WITHHELD[fault.id]]
    return out


def _likeliest(finding: Finding, listed: Sequence[Finding]) -> bool:
    """Whether no likelier cause of the same data stands beside it: one of them is undone for the tests that follow."""
    return all(f.confidence <= finding.confidence for f in listed if f is not finding and _rivals(f, finding))


def _case(checked: Checked, table: str, spoilt: Spoilt, skies: dict[str, Sky]) -> Case:
    """The table as later tests see it: without what earlier findings spoilt."""
    record, site = checked.record, checked.record.station.station
    found = checked.tables[table]
    where = site.latitude, site.longitude, site.elevation
    middle = found.record.middle
    sky = skies.setdefault(table, Sky(middle, *where)).at(middle, *where)
    case = Case(record.station, found.record, sky, of_faults(), checked.limits, found.verdicts, record.logs)
    for _, suspect in spoilt:
        if suspect.spoils:
            case = case.without(suspect.spoils, suspect.first, suspect.last)
    return case


def case_of(checked: Checked, table: str) -> Case:
    """The Case of one table as the first tests see it; KeyError where there is no such table."""
    return _case(checked, table, (), {})


def tested(fault: Fault, case: Case, spoilt: Spoilt = ()) -> Sequence[Outcome]:
    """What the test of one fault says of one table; without what it needs, why it was not tested.

    A test that breaks on odd data leaves one `Untested`; the rest goes on.
    """
    if not case.rows:
        return (Untested((), "the table has no rows", None),)
    for quantities in fault.needs:
        if case.mate(*quantities) is not None:
            continue
        names = tuple(c.name for c in case.of(*quantities))
        by = next((i for i, s in spoilt if set(s.spoils) & set(names)), None)
        what = " or ".join(quantities)
        if by is not None:
            return (Untested(names, f"{', '.join(names)} is spoilt by {by}", f"{by} is mended"),)
        return (Untested(names, f"no {what} channel has values" if names else f"needs {what}", None),)
    if case.span_s < fault.least_s:
        need, have = fault.least_s / 86400.0, case.span_s / 86400.0
        when = utc_text(case.first + np.timedelta64(round(fault.least_s - case.interval_s), "s"))
        return (Untested((), f"needs {_days(need)} of record, has {_days(have)}", when),)
    try:
        return fault.test(case)
    except Exception as error:
        _log.error("the test of %s broke: %s", fault.id, error)
        _log.debug("traceback", exc_info=True)
        return (Untested((), f"the test broke on these data ({type(error).__name__}); see the log", None),)


def _days(days: float) -> str:
    return f"{days * 24:.3g} h" if days < 2 else f"{days:.3g} d"


def score(fault: Fault, suspect: Suspect, case: Case) -> float:
    """Log-odds of a suspect against a sound station: prior, clues, and a visit that can have caused it."""
    prior = case.limits.number(fault.id, "prior")
    return prior + suspect.log_odds + (VISITED if _visited(fault, suspect, case) else 0.0)


def _visited(fault: Fault, suspect: Suspect, case: Case) -> bool:
    if not fault.visits:
        return False
    near = np.timedelta64(round(VISIT_DAYS * 86400), "s")
    names = suspect.channels or tuple(c.name for c in case.channels)
    visits = [v for name in names for v in case.visits(name, fault.visits)]
    return any(v.start - near <= suspect.onset[1] and v.end + near >= suspect.onset[0] for v in visits)


def _once(found: Sequence[Finding]) -> list[Finding]:
    """One finding for each id: where several tables show it, the one that shows it best."""
    best: dict[str, Finding] = {}
    for one in found:
        if one.id not in best or one.log_odds > best[one.id].log_odds:
            best[one.id] = one
    return list(best.values())


def weighed(found: Sequence[Finding]) -> list[Finding]:
    """Findings worth listing, each with its confidence and rivals.

    Causes that name each other as rivals and touch the same channels at the same time share one sum: the odds of each
    against all others and against a sound station. The sum decides whether they are listed; of those listed, each
    that is not negligible stands with its own confidence, and none is picked.
    """
    out = []
    given, found = found, explained(found)
    for one, before in zip(found, given, strict=True):
        against = [other for other in found if other is not one and _rivals(one, other)]
        odds = {other.fault.id: other.log_odds for other in against}
        away = before.log_odds - one.log_odds  # what explains it explains these as well
        for fault, log_odds in one.suspect.rivals.items():  # told by the test itself
            odds[fault] = max(odds.get(fault, -np.inf), log_odds + _prior(one.fault.id) - away)
        total = np.exp(one.log_odds) + sum(np.exp(o) for o in odds.values())
        group = float(calibrated(float(np.log(total))))
        share = {fault: float(np.exp(o) / total) for fault, o in odds.items()}
        own = group * float(np.exp(one.log_odds) / total)
        told = {**dict.fromkeys(one.fault.rivals, 0.0), **{i: group * s for i, s in share.items()}}
        rivals = [Rival(i, round(c, 3), one.fault.rivals.get(i, "")) for i, c in told.items()]
        rivals.sort(key=lambda r: (-r.confidence, r.fault))
        if group >= LISTED and own >= SHARED:
            out.append(replace(one, confidence=round(own, 3), rivals=tuple(rivals)))
    return out


def explained(found: Sequence[Finding]) -> list[Finding]:
    """The same, less what another finding explains: of the log-odds of that one so much is its own doing."""
    out = []
    for one in found:
        by = [_own(o, one) for o in found if _speaks(o, one) and _explains(o, one) and not _stronger(one, o)]
        out.append(replace(one, log_odds=one.log_odds - max(by, default=0.0)))
    return out


def _speaks(other: Finding, one: Finding) -> bool:
    """Whether a finding is likely enough to explain another: likely at all, and likelier or worth listing itself."""
    return other.log_odds > 0.0 and (other.log_odds >= one.log_odds or calibrated(other.log_odds) >= LISTED)


def _stronger(one: Finding, other: Finding) -> bool:
    """Whether of two that explain each other the first is the likelier one."""
    return _explains(one, other) and one.log_odds > other.log_odds


def _own(one: Finding, other: Finding) -> float:
    """What a finding takes off another: its odds; of a fault of wiring all its clues, since nothing else makes those. A
    rival told by its test that explains the other too counts with the odds that it was told with."""
    if one.fault.rank == "wiring":
        return one.suspect.log_odds
    told = [o for i, o in one.suspect.rivals.items() if other.fault.id in EXPLAINS.get(i, ())]
    return max(one.log_odds, max(told, default=-np.inf) + _prior(one.fault.id))


def _explains(one: Finding, other: Finding) -> bool:
    """Whether what one finding says would make the test of the other speak, at its channels."""
    if other.fault.id in _BY_THE_SUN:
        by = one.fault.id in EXPLAINS and one.fault.id not in _FACTORS and one.sunny
        return by and other.suspect.evidence.get("what") != "elevation" and _together(one.suspect, other.suspect)
    touching = _touching(one, other)
    if other.fault.id == "tracker-astray" and one.sunny:  # the closure that speaks against it has global on one side
        touching = _together(one.suspect, other.suspect)
    return other.fault.id in EXPLAINS.get(one.fault.id, ()) and touching


def _named(one: Fault, other: Fault) -> bool:
    return other.id in one.rivals or one.id in other.rivals


def _may_outdo(later: Fault, one: Fault) -> bool:
    by_the_sun = one.id in _BY_THE_SUN and later.id in EXPLAINS
    return _named(later, one) or by_the_sun or one.id in EXPLAINS.get(later.id, ())


def linked(one: Fault, other: Fault) -> bool:
    """Whether two faults have to be told from each other: one names the other as a rival, or explains it."""
    return _named(one, other) or other.id in EXPLAINS.get(one.id, ()) or one.id in EXPLAINS.get(other.id, ())


def _together(a: Suspect, b: Suspect) -> bool:
    return bool(a.first <= b.last and b.first <= a.last)


def _touching(one: Finding, other: Finding) -> bool:
    a, b = one.suspect, other.suspect
    shared = bool(set(a.channels) & set(b.channels)) or (one.wind and other.wind)
    return (not a.channels or not b.channels or shared) and _together(a, b)


def _rivals(one: Finding, other: Finding) -> bool:
    return one.fault.id != other.fault.id and linked(one.fault, other.fault) and _touching(one, other)


def _prior(fault: str) -> float:
    return of_faults().number(fault, "prior")


@cache
def _calibration() -> tuple[tuple[float, float], ...]:
    """Pairs of log-odds and the share of right findings there, rising; from `rules/faults/calibration.json`."""
    import json

    from qc.places import folder

    path = folder("rules") / "faults" / "calibration.json"
    if not path.exists():
        return ()
    return tuple((float(a), float(b)) for a, b in json.loads(path.read_text("utf-8"))["points"])


def calibrated(log_odds: float) -> float:
    """The share of findings at such log-odds that were right on the benchmark; the logistic function without one."""
    points = _calibration()
    if not points:
        return float(1.0 / (1.0 + np.exp(-log_odds)))
    x, y = zip(*points, strict=True)
    return float(np.interp(log_odds, x, y))


def _merged(untested: Sequence[tuple[str, Untested]]) -> list[tuple[str, Untested]]:
    """One line for each fault and reason."""
    out: dict[tuple[str, str, str | None], list[str]] = {}
    for fault, u in untested:
        out.setdefault((fault, u.why, u.decidable_after), []).extend(u.channels)
    return [(fault, Untested(tuple(dict.fromkeys(names)), why, after)) for (fault, why, after), names in out.items()]


def document(diagnosis: Diagnosis, period: tuple[str, str]) -> dict[str, Any]:
    """The document of `faults.json` (contract 6)."""
    from qc.faults import doc, steps

    findings = []
    for f in diagnosis.findings:
        s, text = f.suspect, doc(f.fault.id)
        findings.append(
            {
                "id": f.id, "fault": f.fault.id, "channels": list(s.channels), "device": s.device,
                "confidence": f.confidence, "from": utc_text(s.first), "to": utc_text(s.last),
                "onset": [utc_text(m) for m in s.onset], "summary": s.summary, "evidence": _plain(s.evidence),
                "clues": [{"name": c.name, "log_odds": round(c.weight, 2), "said": c.said} for c in s.clues],
                "rivals": [{"fault": r.fault, "confidence": r.confidence, "split_by": r.split_by} for r in f.rivals],
                "site_checks": steps(f.fault.id), "caution": text["Caution"], "data_action": text["Data"],
                "go": s.go or f.fault.go,
            }
        )  # fmt: skip
    return {
        "station": diagnosis.checked.record.station.id,
        "period": {"from": period[0], "to": period[1]},
        "findings": findings,
        "cleared": [{"fault": i, "channels": list(c.channels), "why": c.why} for i, c in diagnosis.cleared],
        "not_tested": [
            {"fault": i, "channels": list(u.channels), "why": u.why, "decidable_after": u.decidable_after}
            for i, u in diagnosis.not_tested
        ],
    }


def _plain(evidence: Mapping[str, Any]) -> dict[str, Any]:
    """Evidence as JSON holds it: plain numbers, null for what is none."""
    out: dict[str, Any] = {}
    for key, value in evidence.items():
        if isinstance(value, bool | str | None.__class__):
            out[key] = value
        elif isinstance(value, list | tuple):
            out[key] = list(value)
        elif isinstance(value, np.integer | int):
            out[key] = int(value)
        else:
            out[key] = float(value) if np.isfinite(value) else None
    return out
