"""Two sensors of one quantity that disagree.

Tests: each sensor against the others of its quantity at the same height. Credit first: a device that lately showed
    impossible values or jumps, in any of its channels, is no witness, and is blamed wherever it leaves the others. Then
    a vote, where two independent devices agree with each other and not with a third; a device outvoted most of the time
    loses its credit in all its channels. Where neither tells, all that disagree are inconsistent.
Matters: it is the one way to see a sensor that is wrong in a likely way; and the worst one if the wrong sensor is
    believed.
Not a fault: two shields in calm sunshine, a shower that passes one of them, sensors at different heights or places.
    Irradiance, wind and rain differ over metres by shade, wake and splash, and are left to diagnosis.
Limits: by quantity, near: the most by which sensors in order lie apart for long, differ: at all. Verdict 2 where a
    sensor is to blame, 1 where nobody can tell. credit_hours, credit_values; vote_hours; lasting_hours. A difference on
    a limit passes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.spells import unbroken
from qc.physics.votes import differences, mostly, outvoted
from qc.physics.windows import sliding_count
from qc.record import SECOND
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DEVICE, DOUBTFUL, INCONSISTENT, Bools, Floats, Found, NotApplied

QUANTITIES = ("air_temperature", "relative_humidity", "dew_point", "air_pressure")


class Group(NamedTuple):
    """Sensors that can be compared with one another: how far apart they are, which share a fate, and their limits."""

    channels: list[Channel]
    apart: dict[tuple[int, int], Floats]
    alike: Bools
    near: float
    differ: float


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Ask credit, then the vote, then nobody."""
    if channel.statistic in ("max", "min", "sd"):
        return NotApplied(f"a channel of statistic {channel.statistic} has no twin")
    if not scene.interval_s:
        return NotApplied("rows of events are not of one time")
    if "twin" not in scene.shared:
        groups = _groups(scene)
        scene.shared["twin"] = groups, _discredited(scene, groups) if groups else {}
    groups, discredited = scene.shared["twin"]
    group = next((g for g in groups if channel in g.channels), None)
    if group is None:
        return NotApplied(f"no other sensor of {channel.quantity} at its height and place")
    return _judge(
        scene, group, group.channels.index(channel), [discredited[scene.device_of(c)] for c in group.channels]
    )


def _judge(scene: Scene, group: Group, a: int, discredited: list[Bools]) -> Found:
    """Verdicts on one sensor of a group."""
    credit = [~d for d in discredited]
    lost = outvoted(group.apart, credit, group.alike, group.near, group.differ)[a]
    verdict = np.zeros(scene.rows, np.uint8)
    number, limit = np.full(scene.rows, np.nan), np.full(scene.rows, np.nan)
    applied, agrees = np.zeros(scene.rows, bool), np.zeros(scene.rows, bool)
    lasting = round(scene.limits.number("twin", "lasting_hours") * 3600e6)
    others = [b for b in range(len(credit)) if not group.alike[a, b]]
    for b in others:
        agrees |= credit[b] & (_between(group, a, b) <= group.near)
    for b in others:
        apart = _between(group, a, b)
        applied |= np.isfinite(apart)
        far = apart > group.differ
        held = unbroken(apart > group.near, scene.time, lasting, scene.table.interval_us or 1)
        alone = discredited[a] & credit[b] & (apart > group.near)
        at_odds = (far | held) & ~agrees & (credit[b] | discredited[a])
        kinds = (
            (at_odds, INCONSISTENT, np.where(far, group.differ, group.near)),
            (alone, DOUBTFUL, group.near),
            (lost & far, DOUBTFUL, group.differ),
        )
        for rows, code, bound in kinds:
            rows = rows & ((code > verdict) | ((code == verdict) & ~(apart <= number)))
            verdict[rows], number[rows], limit[rows] = code, apart[rows], np.broadcast_to(bound, scene.rows)[rows]
    return Found(applied, verdict, number, limit)


def _between(group: Group, a: int, b: int) -> Floats:
    return group.apart[min(a, b), max(a, b)]


def _discredited(scene: Scene, groups: list[Group]) -> dict[str, Bools]:
    """For each device of the groups where it is no witness."""
    number = scene.limits.number
    members = [c for g in groups for c in g.channels]
    none: dict[str, Bools] = {scene.device_of(c): np.zeros(scene.rows, bool) for c in members}
    hours, need = round(number("twin", "credit_hours") * 3600e6), number("twin", "credit_values")
    impossible = dict(none)
    for channel in scene.channels:
        device = scene.device_of(channel)
        if device in impossible:
            impossible[device] = impossible[device] | scene.condemned(channel) | _jumps(scene, channel)
    found = {d: _often(scene, rows, hours, need) for d, rows in impossible.items()}
    asked, lost = dict(none), dict(none)
    for group in groups:
        credit = [~found[scene.device_of(c)] for c in group.channels]
        votes = outvoted(group.apart, credit, group.alike, group.near, group.differ)
        for channel, out in zip(group.channels, votes, strict=True):
            device = scene.device_of(channel)
            lost[device] = lost[device] | out
            asked[device] = asked[device] | np.isfinite(scene.values(channel))
    half = round(number("twin", "vote_hours") * 3600e6)
    return {d: found[d] | mostly(out, asked[d], scene.time, half) for d, out in lost.items()}


def _often(scene: Scene, rows: Bools, half: int, need: float) -> Bools:
    if np.count_nonzero(rows) < need:
        return np.zeros(scene.rows, bool)
    return sliding_count(rows, scene.time, half, half) >= need


def _jumps(scene: Scene, channel: Channel) -> Bools:
    """Changes from the row before that are more than the limit of `step`."""
    bound = scene.limits.find("step", channel.quantity)
    jumps = np.zeros(scene.rows, bool)
    if bound is not None and channel.quantity in QUANTITIES:
        longest = (scene.table.interval_us or 0) + 2 * scene.table.table.stray_s * SECOND
        follows = (scene.time[1:] - scene.time[:-1]).astype(np.int64) <= longest
        change = np.round(np.abs(np.diff(scene.values(channel))), 6)
        jumps[1:] = follows & (change > bound.at(scene.interval_s) + scene.quantum(channel)[1:])
    return jumps


def _groups(scene: Scene) -> list[Group]:
    """Sensors of one quantity at one height and place, of at least two devices."""
    found = []
    for quantity in QUANTITIES:
        near, differ = (scene.limits.number("twin", f"{quantity}.{key}") for key in ("near", "differ"))
        for beside in scene.together(quantity):
            devices = np.array([scene.device_of(c) for c in beside])
            if len(set(devices)) > 1:
                alike = devices[:, None] == devices[None, :]
                found.append(Group(beside, differences([scene.values(c) for c in beside]), alike, near, differ))
    return found


def reach(limits: Limits, interval_s: float) -> Reach:
    """The credit of a device, the votes that cost it, and the row before."""
    credit, vote, lasting = (limits.number("twin", f"{key}_hours") * 3600.0 for key in ("credit", "vote", "lasting"))
    return max(credit + vote + interval_s, lasting), max(credit + vote, lasting)


def say(told: Told) -> str:
    """How far apart, and who is to blame."""
    apart = f"{told.title} lies up to {shown(told.worst)} {told.unit} from its twin"
    bound = f"sensors in order stay within {shown(told.limit)} {told.unit}"
    blame = "this one is to blame: its device shows impossible values, or the others agree against it"
    nobody = "which of the two is wrong, the data do not tell"
    return f"{apart} for {told.lasting}, where {bound}; {blame if told.verdict == DOUBTFUL else nobody}"


CHECK = Check(
    "twin",
    stage=3,
    witness=DEVICE,
    quantities=QUANTITIES,
    run=run,
    say=say,
    reach=reach,
    asks="a value, and one of its twin beside it",
    number="apart from its twin",
    unit="difference",
)
