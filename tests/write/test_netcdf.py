"""NetCDF holds what the CSV holds, and says what it is."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import h5netcdf
import numpy as np
import pytest

from qc import run
from qc.write import flagged
from qc.write.netcdf import cf_names, netcdf_pieces
from tests.write.runs import ROWS, STATION, checked


@pytest.fixture(params=[False, True], ids=["as read", "gaps filled"])
def out(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    run.write(checked(tmp_path / "in"), tmp_path / "out", formats=("csv", "netcdf"), fill_gaps=request.param)
    return tmp_path / "out"


def opened(path: Path) -> dict[str, tuple[Any, dict[str, Any]]]:
    """Each variable's values and attributes."""
    with h5netcdf.File(path) as file:
        found = {name: (variable[...], dict(variable.attrs)) for name, variable in file.variables.items()}
        found["."] = (dict(file.dimensions), dict(file.attrs))
    return found


def letters(values: Any) -> list[str]:
    return [b"".join(row.tolist()).decode("utf-8") for row in values]


def test_the_same_content(out: Path) -> None:
    data = opened(out / "moor.ten.flagged.nc")
    text = (out / "moor.ten.flagged.csv").read_bytes().decode("utf-8")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    for n, name in enumerate(rows[0]):
        told = [row[n] for row in rows[1:]]
        if name.endswith("_read") and not any(told):
            assert name not in data
            continue
        values, about = data[name]
        if name == "time":
            stamps = (values * 1e6).round().astype("datetime64[us]")
            assert [f"{np.datetime_as_string(t, unit='s')}Z" for t in stamps] == told
        elif name.endswith("_verdict"):
            assert values.tolist() == [int(c) for c in told]
        elif name.endswith("_checks"):
            masks = dict(zip(about["flag_meanings"].split(), about["flag_masks"].tolist(), strict=True))
            assert [";".join(k for k, bit in masks.items() if bits & bit) for bits in values.tolist()] == told
        elif name.endswith("_read"):
            assert letters(values) == told
        else:
            np.testing.assert_array_equal(values, [float(c) if c else np.nan for c in told])


def test_each_value_names_what_belongs_to_it(out: Path) -> None:
    data = opened(out / "moor.ten.flagged.nc")
    _, about = data["t"]
    assert about["ancillary_variables"] == "t_verdict t_checks"
    assert about["standard_name"] == "air_temperature" and about["units"] == "degree_Celsius"
    _, flags = data["t_verdict"]
    assert flags["flag_values"].dtype == data["t_verdict"][0].dtype == np.int8
    assert len(flags["flag_values"]) == len(flags["flag_meanings"].split()) == 8
    assert data["rain"][1]["cell_methods"] == "time: sum"
    assert data["wd"][1].get("cell_methods") is None  # the station file does not say what it is
    assert "units" not in data["word"][1]
    assert data["."][1]["Conventions"] == "CF-1.11, ACDD-1.3"


@pytest.mark.parametrize(("stamps", "bounds"), [("end", (-600.0, 0.0)), ("start", (0.0, 600.0)), ("instant", None)])
def test_bounds_are_those_of_the_side(tmp_path: Path, stamps: str, bounds: tuple[float, float] | None) -> None:
    text = STATION.replace('stamps = "end"', f'stamps = "{stamps}"')
    run.write(checked(tmp_path / "in", text=text), tmp_path / "out", formats=("netcdf",))
    data = opened(tmp_path / "out" / "moor.ten.flagged.nc")
    if bounds is None:
        assert "time_bnds" not in data and "bounds" not in data["time"][1]
    else:
        np.testing.assert_array_equal(data["time_bnds"][0] - data["time"][0][:, None], [bounds] * len(data["time"][0]))


@pytest.mark.parametrize(
    ("statistic", "method"),
    [("vector-mean", "time: mean (vector mean)"), ("mean", "time: mean"), ("sample", "time: point"),
     ("sd", "time: standard_deviation"), ("max", "time: maximum"), ("min", "time: minimum")],
)  # fmt: skip
def test_what_a_value_is_of_its_interval(tmp_path: Path, statistic: str, method: str) -> None:
    text = STATION.replace('column = "wd"', f'column = "wd"\nstatistic = "{statistic}"')
    run.write(checked(tmp_path / "in", text=text), tmp_path / "out", formats=("netcdf",))
    assert opened(tmp_path / "out" / "moor.ten.flagged.nc")["wd"][1]["cell_methods"] == method


def test_a_difference_of_temperature_is_none_on_the_scale(tmp_path: Path) -> None:
    text = STATION.replace('column = "t"', 'column = "t"\nstatistic = "sd"')
    run.write(checked(tmp_path / "in", text=text), tmp_path / "out", formats=("netcdf",))
    data = opened(tmp_path / "out" / "moor.ten.flagged.nc")
    assert data["t"][1]["units_metadata"] == "temperature: difference"
    assert data["tf"][1]["units_metadata"] == "temperature: on_scale"


def test_long_cells_are_cut_and_accents_kept(tmp_path: Path) -> None:
    rows = ROWS.replace("1x2", "x" + "é" * 300)
    result = checked(tmp_path / "in", rows=rows)
    (raw,) = netcdf_pieces(flagged.flagged(result.checked.tables["ten"]), result.checked, "ten")
    (tmp_path / "a.nc").write_bytes(raw)
    assert "x" + "é" * 39 in letters(opened(tmp_path / "a.nc")["t_read"][0])


def test_the_same_bytes_again(tmp_path: Path) -> None:
    one, two = (
        b"".join(netcdf_pieces(flagged.flagged(r.checked.tables["ten"]), r.checked, "ten"))
        for r in (checked(tmp_path / "a"), checked(tmp_path / "b"))
    )
    assert one == two


def test_created_is_when_values_came_to_be_what_they_are(tmp_path: Path) -> None:
    """The last stamp here; a later decision would count."""
    run.write(checked(tmp_path / "in"), tmp_path / "out", formats=("netcdf",))
    attrs = opened(tmp_path / "out" / "moor.ten.flagged.nc")["."][1]
    assert attrs["date_created"] == attrs["time_coverage_end"] == "2026-06-21T13:30:00Z"
    assert attrs["time_coverage_duration"] == "PT4800S" and attrs["time_coverage_resolution"] == "PT600S"


def test_every_quantity_has_its_units() -> None:
    from qc.quantities import quantities

    assert set(cf_names()) == set(quantities()) - {"other"}
    assert all("units" in entry for entry in cf_names().values())
