"""False flags on healthy data, per station, channel and check: `python -m tests.bench.healthy`.

Every open station less what is known to be wrong in it (`tests.bench.ground`). Promised: at most 10 values per
million wrong (none where a channel has fewer than 100,000), inconsistent and doubtful together at most 0.1 % of a
channel (0.3 % for 1 min wind).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.bench import ground

MOST_WRONG, MOST_DOUBT, MOST_DOUBT_WIND = 10e-6, 0.001, 0.003
_WIND = ("wind_speed", "wind_gust", "wind_direction")


def rows(name: str) -> list[dict[str, Any]]:
    """One row for each channel of a station."""
    result, out = ground.checked(name), []
    table = result.checked.tables["main"]
    minute = table.record.interval_us == 60_000_000
    for channel, mine in ground.healthy(name).items():
        codes = table.codes[channel][mine]
        values, wrong = len(codes), int((codes == 3).sum())
        doubt = int(np.isin(codes, (1, 2)).sum())
        by_check = {}
        for check, failure in table.verdicts[channel].failures.items():
            if count := int((mine[failure.rows] & np.isin(failure.verdict, ground.BAD)).sum()):
                by_check[check] = count
        windy = minute and result.checked.record.channel(channel).quantity in _WIND
        most = MOST_DOUBT_WIND if windy else MOST_DOUBT
        kept = wrong <= (values * MOST_WRONG if values >= 100_000 else 0) and doubt <= most * values
        out.append(
            {
                "station": name,
                "channel": channel,
                "values": values,
                "wrong": wrong,
                "doubtful": doubt,
                "checks": by_check,
                "kept": kept,
            }
        )
    return out


def rain_of_the_estuary() -> dict[str, Any]:
    """The one spoilt event that a person rejected: how much of it `drip` finds, in how many episodes, and what else
    is flagged.
    """
    result, table = ground.checked("estuary"), ground.checked("estuary").checked.tables["main"]
    bad, good = ground.known("estuary")["rain"], ground.healthy("estuary")["rain"]
    values, time = table.record.channels["rain"].values, table.record.time
    event = bad & (values > 0) & (time >= np.datetime64("2016-09-28")) & (time < np.datetime64("2016-10-01"))
    flagged = np.isin(table.codes["rain"], ground.BAD)
    episodes = [e for e in result.episodes["main"] if e.channel == "rain" and e.check == "drip"]
    return {
        "spoilt": int(event.sum()), "found": int((flagged & event).sum()), "episodes": len(episodes),
        "good": int(good.sum()), "good_flagged": int((flagged & good).sum()),
    }  # fmt: skip


def measure() -> dict[str, Any]:
    """All stations."""
    return {"rows": [row for name in ground.STATIONS for row in rows(name)], "estuary_rain": rain_of_the_estuary()}


def main() -> None:
    """Print the table."""
    found = measure()
    print(found["estuary_rain"])
    for row in found["rows"]:
        per_million = 1e6 * (row["wrong"] + row["doubtful"]) / row["values"]
        told = ", ".join(f"{check} {count}" for check, count in row["checks"].items())
        print(
            f"{row['station']:12}{row['channel']:9}{row['values']:8} values  wrong {row['wrong']:3}  doubtful "
            f"{row['doubtful']:4}"
            f"  {per_million:7.0f} per million  {'' if row['kept'] else 'MISSED '}{told}"
        )


if __name__ == "__main__":
    main()
