"""Units that are wrong: each is told from the others, in hours where it is gross; dead and healthy channels are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc.diagnosis import Diagnosis, diagnose
from qc.faults import Suspect, unit_wrong
from qc.mends import mended
from qc.record import Record
from qc.verdicts import Floats
from tests.faults import meadow
from tests.faults.dawn import case, healthy
from tests.faults.planted import planted, unchecked

CHANNELS = (
    "global_irradiance", "air_temperature", "dew_point", "relative_humidity", "air_pressure", "wind_speed",
    "wind_gust", "precipitation",
)  # fmt: skip

# what a table shows of true values in output units (factors: SI brochure, NIST SP 811; handbook section 6)
SHOWN = {
    ("air_pressure", "inHg"): lambda x: x / 33.8639,
    ("air_pressure", "mmHg"): lambda x: x / 1.33322,
    ("air_pressure", "kPa"): lambda x: x / 10.0,
    ("air_pressure", "Pa"): lambda x: x * 100.0,
    ("air_temperature", "K"): lambda x: x + 273.15,
    ("air_temperature", "degF"): lambda x: 1.8 * x + 32.0,
    ("dew_point", "degF"): lambda x: 1.8 * x + 32.0,
    ("wind_speed", "km/h"): lambda x: x * 3.6,
    ("wind_speed", "mph"): lambda x: x / 0.44704,
    ("wind_gust", "km/h"): lambda x: x * 3.6,
    ("global_irradiance", "kW/m2"): lambda x: x / 1000.0,
    ("precipitation", "inches"): lambda x: np.round(x / 25.4, 2),
}


def wet(record: Record) -> Record:
    """Humidity that goes with temperature and dew point (Magnus, over water)."""
    t, td = (record.tables["main"].channels[n].values for n in ("air_temperature", "dew_point"))
    rh = 100.0 * np.exp(17.62 * td / (243.12 + td) - 17.62 * t / (243.12 + t))
    return put(record, "relative_humidity", np.round(rh, 1))


def put(record: Record, name: str, values: Floats) -> Record:
    table = record.tables["main"]
    channels = {**table.channels, name: replace(table.channels[name], values=values)}
    return replace(record, tables={"main": replace(table, channels=channels)})


def of(record: Record, name: str) -> Floats:
    return record.tables["main"].channels[name].values


def told(record: Record) -> Diagnosis:
    return diagnose(unchecked(record), only=("unit-wrong", "barometer-reduced", "site-facts"))


@pytest.mark.parametrize(("name", "unit"), SHOWN)
def test_each_unit_from_the_first_row_on(name: str, unit: str) -> None:
    sound = wet(healthy(days=20, channels=CHANNELS))
    if name == "precipitation":  # tips of 0.01 inch
        sound = put(sound, name, np.round(of(sound, name) / 0.2) * 0.254)
    broken = put(sound, name, SHOWN[name, unit](of(sound, name)))
    found = [f for f in told(broken).findings if f.fault.id == "unit-wrong"]
    assert [f.suspect.channels for f in found] == [(name,)]
    assert found[0].suspect.evidence == {"unit_found": unit}
    mend = found[0].suspect.mend
    assert mend is not None
    left = np.abs(of(mended(broken, mend), name) - of(sound, name)).mean()
    assert left < 0.05 * np.abs(of(broken, name) - of(sound, name)).mean()


@pytest.mark.parametrize(
    ("name", "unit"), [k for k in SHOWN if k[1] in ("inHg", "kPa", "K", "degF", "kW/m2") and k[0] != "dew_point"]
)
def test_gross_units_are_found_in_six_hours(name: str, unit: str) -> None:
    record = wet(healthy(days=1, channels=CHANNELS))
    rows = np.arange(48, 48 + 37)  # 8:00 to 14:10 UTC
    short = replace(record, tables={"main": record.tables["main"].take(rows)})
    found = told(put(short, name, SHOWN[name, unit](of(short, name)))).findings
    assert found
    assert found[0].suspect.evidence == {"unit_found": unit}


@pytest.mark.parametrize(("hours", "found"), [(5.8, False), (7.0, True)])
def test_hours_of_values_count_and_not_hours_of_record(hours: float, found: bool) -> None:
    record = wet(healthy(days=2, channels=CHANNELS))
    values = of(record, "air_pressure") / 10.0
    values[round(hours * 6) :] = np.nan
    assert bool(told(put(record, "air_pressure", values)).findings) is found


def test_less_than_six_hours_claim_nothing() -> None:
    record = wet(healthy(days=0.24, channels=CHANNELS))
    assert not told(put(record, "air_pressure", of(record, "air_pressure") / 33.8639)).findings


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("where", [(51.0, 300.0), (66.0, 20.0), (-8.0, 10.0), (20.0, 2300.0)])
def test_healthy_channels_give_nothing(seed: int, where: tuple[float, float]) -> None:
    record = wet(healthy(days=8, seed=seed, latitude=where[0], elevation=where[1], channels=CHANNELS))
    assert not told(record).findings


def test_a_dead_input_is_no_unit() -> None:
    sound = wet(healthy(days=10, channels=CHANNELS))
    noise = np.random.default_rng(1).normal(72.0, 30.0, len(of(sound, "air_temperature")))
    assert not [f for f in told(put(sound, "air_temperature", noise)).findings if f.fault.id == "unit-wrong"]
    flat = np.full(len(noise), 0.7)
    assert not [f for f in told(put(sound, "global_irradiance", flat)).findings if f.fault.id == "unit-wrong"]


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", range(5))
def test_injected_units_are_found_with_their_onset(grade: str, seed: int) -> None:
    record = wet(healthy(days=24, seed=seed, channels=CHANNELS))
    injection = unit_wrong.inject(case(record), grade, np.random.default_rng(seed))  # type: ignore[arg-type]
    assert injection is not None
    first = told(planted(record, "main", injection)).findings[0]
    assert first.fault.id == "unit-wrong"
    assert first.suspect.channels == injection.channels
    assert first.suspect.evidence == injection.evidence
    assert first.suspect.onset[0] <= injection.first <= first.suspect.onset[1]
    assert first.suspect.onset[1] - first.suspect.onset[0] < np.timedelta64(3, "D")


def test_clues_have_numbers() -> None:
    record = wet(healthy(days=5, channels=CHANNELS))
    got = unit_wrong.test(case(put(record, "air_pressure", of(record, "air_pressure") / 10.0)))
    one = next(o for o in got if isinstance(o, Suspect))
    assert all(np.isfinite(clue.log_odds) and clue.said for clue in one.clues)


def kept_from(name: str, values: Floats, day: int = 10) -> Record:
    """A healthy record that holds other values from a day on."""
    record = wet(healthy(days=20, channels=CHANNELS))
    now = of(record, name).copy()
    now[day * 144 :] = values[day * 144 :] if np.ndim(values) else values
    return put(record, name, now)


NOISE = np.random.default_rng(5).normal(size=20 * 144)
HEALTHY = wet(healthy(days=20, channels=CHANNELS))


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("dew_point", 90.0 + 0.5 * NOISE),  # 32 degC if it were Fahrenheit
        ("air_pressure", 9.5 + 0.5 * NOISE),  # a third of what is usual in inches
        ("wind_gust", 180.0 + 40.0 * NOISE),  # a direction
        ("wind_speed", 6.5 * of(HEALTHY, "wind_speed")),  # no unit's factor
        ("global_irradiance", 0.45 * of(HEALTHY, "global_irradiance")),
        ("air_temperature", of(HEALTHY, "air_temperature") + 13.5),
    ],
)
def test_what_is_no_better_in_another_unit_is_no_unit(name: str, values: Floats) -> None:
    assert not [f for f in told(kept_from(name, values)).findings if f.fault.id == "unit-wrong"]


def test_half_the_light_beside_photosynthetic_light_is_no_unit() -> None:
    record = wet(healthy(days=20, channels=(*CHANNELS, "par")))
    light = of(record, "global_irradiance").copy()
    light[10 * 144 :] *= 0.5
    found = told(put(record, "global_irradiance", light)).findings
    assert not [f for f in found if f.fault.id == "unit-wrong"]


@pytest.mark.parametrize(
    ("hours", "factor", "found"), [(14.0, 16.67, False), (42.0, 16.67, True), (14.0, 1000.0, True)]
)
def test_a_dark_end_of_a_sound_record_is_no_unit(hours: float, factor: float, found: bool) -> None:
    """Heavy cloud does for some hours what kJ/m2 of a minute do, and nothing does what kW/m2 do."""
    sound = healthy(days=6, channels=("global_irradiance", "air_temperature"), interval="1min")
    values = of(sound, "global_irradiance").copy()
    values[-round(hours * 60) :] /= factor
    one = case(put(sound, "global_irradiance", values))
    (outcome,) = [o for o in unit_wrong.test(one) if o.channels == ("global_irradiance",)]
    assert isinstance(outcome, Suspect) is found
    if isinstance(outcome, Suspect):
        assert outcome.evidence == {"unit_found": {16.67: "kJ/m2", 1000.0: "kW/m2"}[factor]}


def test_a_unit_of_the_last_hours_did_not_begin_before() -> None:
    sound = wet(healthy(days=6, channels=CHANNELS))
    values = of(sound, "air_pressure").copy()
    values[-36:] /= 10.0
    values[-1] = np.nan  # midnight would be a block of its own
    (outcome,) = [o for o in unit_wrong.test(case(put(sound, "air_pressure", values))) if isinstance(o, Suspect)]
    assert outcome.channels == ("air_pressure",)
    assert outcome.onset[1] == sound.tables["main"].time[-36]
    assert outcome.first == outcome.onset[1]


# ---- what another unit does not explain is no suspect at all: as a rival it would take its share


def suspected(record: Record, name: str) -> list[Suspect]:
    return [o for o in unit_wrong.test(case(record)) if isinstance(o, Suspect) and o.channels == (name,)]


def wandering(middle: float, size: float, hours: float = 60.0) -> Floats:
    """Smooth noise with a memory of some hours."""
    keep = float(np.exp(-1.0 / 6.0 / hours))
    out = np.empty(len(NOISE))
    value = 0.0
    for at, noise in enumerate(NOISE):
        value = keep * value + np.sqrt(1.0 - keep**2) * noise
        out[at] = value
    return middle + size * out


AIR = of(HEALTHY, "air_temperature")
SLOWLY = np.clip((np.arange(len(NOISE)) / 144.0 - 6.0) / 8.0, 0.0, 1.0)


@pytest.mark.parametrize(
    ("name", "values", "day"),
    [
        ("air_pressure", 9.5 + 0.5 * NOISE, 10),  # no pressure in any unit
        ("air_temperature", AIR + SLOWLY * (0.8 * AIR + 32.0), 0),  # Fahrenheit at the end, and never a leap
        ("air_temperature", AIR + 45.0, 10),  # as high as Fahrenheit, and no wider
        ("air_temperature", 72.0 + 10.0 * NOISE, 0),  # jumps as no air does
        ("air_temperature", AIR + 70.0, 0),  # dew point and humidity belong to no such temperature
        ("air_temperature", 60.0 + 0.05 * NOISE, 0),  # air that does not warm by day
        ("wind_speed", 6.5 * of(HEALTHY, "wind_speed"), 10),
        ("wind_speed", wandering(9.0, 2.0), 10),  # does not move with its gust: another thing's numbers
        ("wind_gust", 180.0 + 40.0 * NOISE, 0),
        ("wind_gust", 60.0 * of(HEALTHY, "wind_speed"), 0),  # no such gust over that mean in any unit
        ("air_pressure", np.full(len(NOISE), 28.9), 10),  # usual in inches, but no weather keeps it
        ("global_irradiance", 0.0022 * of(HEALTHY, "global_irradiance"), 0),  # two suns in kilowatts
        ("global_irradiance", 0.05 + 0.01 * NOISE, 0),  # a dim sun in kilowatts, by night too
        ("global_irradiance", 0.05 * of(HEALTHY, "global_irradiance"), 10),  # fifty suns in kilowatts
        ("global_irradiance", 0.7 + 0.1 * NOISE, 10),  # by night as by day
        ("global_irradiance", 0.6 * of(HEALTHY, "global_irradiance"), 10),  # clouds do as much
    ],
)
def test_what_no_unit_explains_is_not_suspected(name: str, values: Floats, day: int) -> None:
    assert not suspected(kept_from(name, values, day), name)


def test_an_offset_beside_another_temperature_is_no_unit_and_fahrenheit_is() -> None:
    air = meadow.weather(12.0, 1)[1]["t_air"]
    for after, found in ((air + 45.0, False), (1.8 * air + 32.0, True)):
        x = np.where(np.arange(len(air)) < 900, air, after)
        got = unit_wrong.test(meadow.case(12.0, 1, changed={"t_air": x}))
        assert any(isinstance(o, Suspect) and o.channels == ("t_air",) for o in got) is found


def test_a_temperature_alone_that_jumps_as_no_air_does() -> None:
    record = healthy(days=20, channels=("air_temperature", "air_pressure"))
    assert not suspected(put(record, "air_temperature", 72.0 + 10.0 * NOISE), "air_temperature")
    assert suspected(put(record, "air_temperature", 1.8 * of(record, "air_temperature") + 32.0), "air_temperature")


@pytest.mark.parametrize(("offset", "found"), [(34.0, False), (None, True)])
def test_a_leap_of_another_size_is_no_fahrenheit(offset: float | None, found: bool) -> None:
    """At 12 degC Fahrenheit leaps by 42 K. One day of past: how wide its days are cannot be told."""
    record = healthy(days=20, channels=("air_temperature", "air_pressure"))
    air = of(record, "air_temperature")
    after = 1.8 * air + 32.0 if offset is None else air + offset
    x = np.where(np.arange(len(air)) < 150, air, after)
    assert bool(suspected(put(record, "air_temperature", x), "air_temperature")) is found


def test_the_one_of_two_winds_that_kept_its_level_is_not_blamed() -> None:
    gust = of(HEALTHY, "wind_gust") * np.where(np.arange(len(NOISE)) < 1440, 1.0, 0.4)
    for suspect in suspected(put(HEALTHY, "wind_gust", gust), "wind_speed"):
        assert next(c for c in suspect.clues if c.name == "which of the two").weight < -2.0


def test_a_strong_wind_alone_may_be_a_strong_wind() -> None:
    record = healthy(days=20, channels=("air_temperature", "wind_speed"))
    assert not suspected(put(record, "wind_speed", 3.6 * of(record, "wind_speed")), "wind_speed")


@pytest.mark.parametrize(("days", "told"), [(19, False), (21, True)])
def test_fine_drizzle_without_a_tip_size_is_no_inches_at_once(days: int, told: bool) -> None:
    record = healthy(days=days, channels=("air_temperature", "precipitation"))
    rain = np.round(of(record, "precipitation") / 0.2) * 0.01
    found = unit_wrong.test(case(put(record, "precipitation", rain)))
    assert any(isinstance(o, Suspect) and o.channels == ("precipitation",) for o in found) is told


def test_a_temperature_that_goes_its_own_way_is_no_unit() -> None:
    from scipy.signal import lfilter

    rough = np.random.default_rng(4).normal(size=1728)
    own = 75.0 + 30.0 * lfilter([0.15], [1.0, -0.988], rough)
    got = unit_wrong.test(meadow.case(12.0, 1, changed={"t_air": np.round(own, 2)}))
    assert not [o for o in got if isinstance(o, Suspect) and o.channels == ("t_air",)]


def test_neither_its_level_nor_what_is_beside_it_speaks_for_the_unit() -> None:
    record = healthy(days=20, latitude=3.0, elevation=10.0, channels=("air_temperature", "dew_point", "wind_speed"))
    record = put(record, "air_temperature", of(record, "air_temperature") + 28.0)
    record = put(record, "dew_point", of(record, "dew_point") + 12.0)
    assert not suspected(record, "air_temperature")


@pytest.mark.parametrize("row", [20, 31, 70])
def test_kelvin_from_the_first_hours_on(row: int) -> None:
    """One block of six hours of past is enough where the leap is plain, and the rows before it are not judged."""
    record = wet(healthy(days=12, channels=CHANNELS))
    x = of(record, "air_temperature") + np.where(np.arange(12 * 144) < row, 0.0, 273.15)
    first = told(put(record, "air_temperature", x)).findings[0]
    assert first.suspect.evidence == {"unit_found": "K"}
    time = record.tables["main"].time
    assert first.suspect.onset[0] <= time[row] <= first.suspect.onset[1]


@pytest.mark.parametrize(("hours", "found"), [(5.0, False), (6.5, True)])
def test_a_unit_that_changed_within_the_last_hours(hours: float, found: bool) -> None:
    record = wet(healthy(days=12, channels=CHANNELS))
    begin = 12 * 144 - round(6 * hours)
    x = of(record, "air_temperature") + np.where(np.arange(12 * 144) < begin, 0.0, 273.15)
    assert bool(suspected(put(record, "air_temperature", x), "air_temperature")) is found


@pytest.mark.parametrize(("days", "found"), [(3, False), (5, True)])
def test_dull_days_are_no_kilojoules(days: int, found: bool) -> None:
    record = healthy(days=12, interval="5min", channels=("global_irradiance", "air_temperature"))
    light = of(record, "global_irradiance").copy()
    light[(12 - days) * 288 :] *= 0.3  # kJ/m2 in 5 min
    assert bool(suspected(put(record, "global_irradiance", light), "global_irradiance")) is found


def test_nothing_is_planted_where_the_chain_condemned_the_channel() -> None:
    from qc import chain
    from qc.diagnosis import case_of
    from qc.run import limits_of

    record = meadow.record(12.0, 1, names=("t_air", "rh"))
    for extra, planted_ in ((0.0, True), (80.0, False)):
        values = record.tables["ten"].channels["t_air"].values + extra
        table = record.tables["ten"]
        channels = {**table.channels, "t_air": replace(table.channels["t_air"], values=values)}
        spoilt = replace(record, tables={"ten": replace(table, channels=channels)})
        seen = case_of(chain.run(spoilt, limits_of(spoilt.station)), "ten")
        assert (unit_wrong.inject(seen, "gross", np.random.default_rng(1)) is not None) is planted_


# a day for what leaps, three before and after for what is told by days
@pytest.mark.parametrize(
    ("name", "unit", "begin", "end"),
    [(*k, *days) for k in SHOWN for days in ((6, 14), (0, 9), (10, 17)) if k[0] not in ("precipitation", "wind_gust")],
)
def test_a_unit_that_was_put_right_ended_then(name: str, unit: str, begin: int, end: int) -> None:
    sound = wet(healthy(days=20, channels=CHANNELS))
    rows = np.zeros(len(of(sound, name)), bool)
    rows[begin * 144 : end * 144] = True
    broken = put(sound, name, np.where(rows, SHOWN[name, unit](of(sound, name)), of(sound, name)))
    found = told(broken).findings
    assert [(f.fault.id, f.suspect.channels, f.suspect.evidence) for f in found] == [
        ("unit-wrong", (name,), {"unit_found": unit})
    ]
    mend, last = found[0].suspect.mend, sound.tables["main"].time[end * 144 - 1]
    assert mend is not None
    assert mend.last == found[0].suspect.last
    by_days = name in ("wind_speed", "global_irradiance")
    assert abs(found[0].suspect.last - last) <= np.timedelta64(24 if by_days else 0, "h")
    left = np.abs(of(mended(broken, mend), name) - of(sound, name)).mean()
    assert left < 0.15 * np.abs(of(broken, name) - of(sound, name)).mean()


@pytest.mark.parametrize(("rows", "ended"), [(1, False), (2, False), (3, True), (6, True), (72, True)])
def test_a_unit_put_right_some_rows_ago(rows: int, ended: bool) -> None:
    sound = wet(healthy(days=20, channels=CHANNELS))
    values = of(sound, "air_temperature").copy()
    values[:-rows] = 1.8 * values[:-rows] + 32.0
    suspect = told(put(sound, "air_temperature", values)).findings[0].suspect
    assert suspect.last == sound.tables["main"].time[-rows - 1 if ended else -1]


@pytest.mark.parametrize("row", [-1, -30, 1440])
def test_a_spike_ends_no_unit(row: int) -> None:
    sound = wet(healthy(days=20, channels=CHANNELS))
    values = 1.8 * of(sound, "air_temperature") + 32.0
    values[row] = of(sound, "air_temperature")[row]
    suspect = told(put(sound, "air_temperature", values)).findings[0].suspect
    assert suspect.last == sound.tables["main"].time[-1]


@pytest.mark.parametrize(("end", "lines"), [(10, 2), (20, 1)])
def test_the_picture_marks_begin_and_end(end: int, lines: int) -> None:
    sound = wet(healthy(days=20, channels=CHANNELS))
    values = of(sound, "air_temperature").copy()
    values[5 * 144 : end * 144] = 1.8 * values[5 * 144 : end * 144] + 32.0
    seen = case(put(sound, "air_temperature", values))
    (suspect,) = (o for o in unit_wrong.test(seen) if isinstance(o, Suspect))
    figure = unit_wrong.picture(seen, suspect)
    for axes in figure.axes:
        upright = [x for x in (line.get_xdata() for line in axes.get_lines()) if len(x) == 2 and x[0] == x[1]]
        assert len(upright) == lines
