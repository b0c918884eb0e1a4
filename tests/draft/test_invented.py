"""Drafts of invented tables: languages, layouts and clocks that loggers, consoles and services write. Each must read as
drafted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from qc.draft import Draft, channels, draft
from qc.read.tables import read_tables
from qc.station import Channel
from tests.draft.weather import Floats, Place, Weather, as_lists, stamps, table, weather

IN_HG, MPH, KN, INCH = 33.8639, 0.44704, 0.514444, 25.4  # hPa, m/s, m/s, mm: handbook section 6


@dataclass
class Case:
    """Files (text in some encoding), the place, and what must be drafted from them."""

    place: Place
    files: dict[str, bytes]
    channels: dict[str | int, str]  # column: "quantity unit statistic", other columns are `other`
    offset: str = ""
    zone: str | None = None
    stamps: str | None = "end"
    interval: str | None = "10min"
    format: str = ""
    decimal: str = "."
    questions: tuple[str, ...] = ()
    rejected: int = 0
    resolutions: dict[str | int, object] = field(default_factory=dict)


CASES: list[Callable[[], Case]] = []


def case(make: Callable[[], Case]) -> Callable[[], Case]:
    CASES.append(make)
    return make


def fahrenheit(t: Floats) -> Floats:
    return np.round(t * 1.8 + 32, 1)


def made(files: dict[str, bytes], place: Place, folder: Path) -> tuple[Draft, list[Path]]:
    paths = []
    for name, raw in files.items():
        (folder / name).write_bytes(raw)
        paths.append(folder / name)
    return draft(paths, place.latitude, place.longitude, place.elevation), paths


def told(channel: Channel) -> str:
    return f"{channel.quantity} {channel.unit} {channel.statistic}"


# ---- languages


@case
def german() -> Case:
    place = Place(51.0, 10.0, 210.0, 60)
    w = weather(place, "2023-03-01", 20, 600)
    header = [
        "Wetterstation Beispielberg",
        "Höhe: 210 m",
        "",
        "Datum;Uhrzeit;Lufttemperatur [°C];rel. Feuchte [%];Luftdruck [hPa];Windgeschw. [m/s];Windböe [m/s];"
        "Windrichtung [°];"
        "Niederschlag [mm];Globalstrahlung [W/m²]",
    ]
    local = w.local(place)
    columns = [
        stamps(local, "%d.%m.%Y"),
        stamps(local, "%H:%M"),
        *as_lists(w.t, w.rh, w.p, w.ws, w.gust, w.wd, w.rain, w.ghi),
    ]
    return Case(
        place, {"g.csv": table(header, columns, ";", ",").encode("latin-1")},
        {
            "Lufttemperatur [°C]": "air_temperature °C mean", "rel. Feuchte [%]": "relative_humidity % mean",
            "Luftdruck [hPa]": "air_pressure hPa mean", "Windgeschw. [m/s]": "wind_speed m/s mean",
            "Windböe [m/s]": "wind_gust m/s max",
            "Windrichtung [°]": "wind_direction ° mean", "Niederschlag [mm]": "precipitation mm total",
            "Globalstrahlung [W/m²]": "global_irradiance W/m² mean",
        },
        offset="+01:00", format="%d.%m.%Y %H:%M", decimal=",", questions=('time_zone = "Europe/Berlin"',
        "mean is a guess"),
        resolutions={"Lufttemperatur [°C]": 0.1, "Windrichtung [°]": 1.0, "Niederschlag [mm]": 0.2},
    )  # fmt: skip


@case
def french_hourly_sums() -> Case:
    place = Place(45.2, 5.7, 350.0, 120)
    w = weather(place, "2023-06-01", 20, 3600)
    header = [
        "Date;Heure;Température (°C);Humidité relative (%);Pression station (hPa);Vent moyen (km/h);Rafale (km/h);"
        "Direction du vent (°);"
        "Pluie (mm);Rayonnement global (J/cm²)"
    ]
    local = w.local(place)
    columns = [
        stamps(local, "%d/%m/%Y"), stamps(local, "%H:%M"),
        *as_lists(w.t, w.rh, w.p, np.round(w.ws * 3.6, 1), np.round(w.gust * 3.6, 1), w.wd, w.rain,
        np.round(w.ghi * 0.36, 2)),
    ]  # fmt: skip
    return Case(
        place, {"f.csv": table(header, columns, ";", ",").encode("utf-8-sig")},
        {
            "Température (°C)": "air_temperature °C mean", "Humidité relative (%)": "relative_humidity % mean",
            "Pression station (hPa)": "air_pressure hPa mean", "Vent moyen (km/h)": "wind_speed km/h mean",
            "Rafale (km/h)": "wind_gust km/h max",
            "Direction du vent (°)": "wind_direction ° mean", "Pluie (mm)": "precipitation mm total",
            "Rayonnement global (J/cm²)": "global_irradiance J/cm² total",
        },
        offset="+02:00", interval="1h", format="%d/%m/%Y %H:%M", decimal=",",
        questions=("+03:00 with stamps at the start, agree with it alike",),
    )  # fmt: skip


@case
def spanish_south() -> Case:
    place = Place(-33.5, -70.7, 520.0, -240)
    w = weather(place, "2023-05-01", 30, 900)
    header = [
        "Fecha y hora,Temperatura del aire (°C),Humedad relativa (%),Presión atmosférica (hPa),Velocidad del viento "
        "(m/s),Ráfaga (m/s),"
        "Dirección del viento (°),Precipitación (mm),Radiación solar (W/m2),Voltaje batería (V)"
    ]
    columns = [
        stamps(w.local(place), "%d-%m-%Y %H:%M"),
        *as_lists(w.t, w.rh, w.p, w.ws, w.gust, w.wd, w.rain, w.ghi, w.battery),
    ]
    return Case(
        place, {"s.csv": table(header, columns).encode()},
        {
            "Temperatura del aire (°C)": "air_temperature °C mean", "Humedad relativa (%)": "relative_humidity % mean",
            "Presión atmosférica (hPa)": "air_pressure hPa mean", "Velocidad del viento (m/s)": "wind_speed m/s mean",
            "Ráfaga (m/s)": "wind_gust m/s max", "Dirección del viento (°)": "wind_direction ° mean",
            "Precipitación (mm)": "precipitation mm total", "Radiación solar (W/m2)": "global_irradiance W/m2 mean",
            "Voltaje batería (V)": "battery_voltage V mean",
        },
        offset="-04:00", interval="15min", format="%d-%m-%Y %H:%M",
    )  # fmt: skip


@case
def italian_time_with_points() -> Case:
    place = Place(41.9, 12.5, 50.0, 60)
    w = weather(place, "2023-03-01", 12, 900)
    header = [
        "Data;Ora;Temperatura aria (°C);Umidità relativa (%);Velocità vento (m/s);Raffica (m/s);Pioggia (mm);"
        "Radiazione solare (W/m²)"
    ]
    local = w.local(place)
    columns = [stamps(local, "%d/%m/%Y"), stamps(local, "%H.%M"), *as_lists(w.t, w.rh, w.ws, w.gust, w.rain, w.ghi)]
    return Case(
        place, {"i.csv": table(header, columns, ";", ",").encode()},
        {
            "Temperatura aria (°C)": "air_temperature °C mean", "Umidità relativa (%)": "relative_humidity % mean",
            "Velocità vento (m/s)": "wind_speed m/s mean", "Raffica (m/s)": "wind_gust m/s max",
            "Pioggia (mm)": "precipitation mm total",
            "Radiazione solare (W/m²)": "global_irradiance W/m² mean",
        },
        offset="+01:00", interval="15min", format="%d/%m/%Y %H.%M", decimal=",",
    )  # fmt: skip


@case
def swedish_without_units_reduced_pressure() -> Case:
    place = Place(59.0, 18.0, 20.0, 60)
    w = weather(place, "2023-03-01", 12, 3600)
    header = [
        "Datum;Tid (UTC+1);Lufttemperatur;Relativ Luftfuktighet;Lufttryck reducerat havsytans nivå;Vindhastighet;"
        "Byvind;Globalstrålning"
    ]
    local = w.local(place)
    columns = [stamps(local, "%Y-%m-%d"), stamps(local, "%H:%M:%S"), *as_lists(w.t, w.rh, w.p_sea, w.ws, w.gust, w.ghi)]
    return Case(
        place, {"s.csv": table(header, columns, ";").encode()},
        {
            "Lufttemperatur": "air_temperature degC mean", "Relativ Luftfuktighet": "relative_humidity % mean",
            "Lufttryck reducerat havsytans nivå": "sea_level_pressure hPa mean", "Vindhastighet": "wind_speed m/s mean",
            "Byvind": "wind_gust m/s max", "Globalstrålning": "global_irradiance W/m2 mean",
        },
        offset="+01:00", interval="1h", format="%Y-%m-%d %H:%M:%S", questions=("no known unit given; values of",),
    )  # fmt: skip


# ---- units and habits of other lands


@case
def console_in_fahrenheit() -> Case:
    place = Place(40.0, -105.2, 1600.0, -420)
    w = weather(place, "2023-01-03", 25, 300)
    header = [
        '"Date & Time","Outdoor Temperature (°F)","Outdoor Humidity (%)","Absolute Pressure (inHg)","Relative '
        'Pressure (inHg)","Wind Speed (mph)",'
        '"Gust (mph)","Hourly Rain (in)","Rain (in)","Solar Radiation (W/m2)","Indoor Temperature (°F)","UV Index",'
        '"Dew Point (°F)"'
    ]
    columns = [
        stamps(w.local(place), "%-m/%-d/%Y %-I:%M %p"),
        *as_lists(
            fahrenheit(w.t), w.rh, np.round(w.p / IN_HG, 2), np.round(w.p_sea / IN_HG, 2), np.round(w.ws / MPH, 1),
            np.round(w.gust / MPH, 1),
            np.round(w.rain * 3 / INCH, 2), np.round(w.rain / INCH, 2), w.ghi, w.t * 0 + 70, np.round(w.ghi / 100),
            fahrenheit(w.td),
        ),
    ]  # fmt: skip
    return Case(
        place, {"u.csv": table(header, columns).encode()},
        {
            "Outdoor Temperature (°F)": "air_temperature °F mean", "Outdoor Humidity (%)": "relative_humidity % mean",
            "Absolute Pressure (inHg)": "air_pressure inHg mean",
            "Relative Pressure (inHg)": "sea_level_pressure inHg mean",
            "Wind Speed (mph)": "wind_speed mph mean", "Gust (mph)": "wind_gust mph max",
            "Rain (in)": "precipitation in total",
            "Solar Radiation (W/m2)": "global_irradiance W/m2 mean", "Dew Point (°F)": "dew_point °F mean",
        },
        offset="-07:00", interval="5min", format="%m/%d/%Y %I:%M %p", questions=("a sum over 1 h in a table of 5 min",),
        resolutions={"Rain (in)": 0.01},
    )  # fmt: skip


@case
def console_with_names_in_two_rows_and_no_units() -> Case:
    place = Place(40.0, -75.2, 60.0, -300)
    w = weather(place, "2023-04-03", 12, 900)
    header = [
        "\t\tTemp\tOut\tWind\tWind\tHi\tHeat\t\t\tSolar",
        "Date\tTime\tOut\tHum\tSpeed\tDir\tSpeed\tIndex\tBar\tRain\tRad.",
    ]
    local = w.local(place)
    columns = [
        stamps(local, "%m/%d/%y"), [x[:-1].lower().lstrip("0") for x in stamps(local, "%I:%M%p")],
        *as_lists(
            fahrenheit(w.t), w.rh, np.round(w.ws / MPH), w.wd, np.round(w.gust / MPH), fahrenheit(w.t),
            np.round(w.p / IN_HG, 3),
            np.round(w.rain / INCH, 2), w.ghi,
        ),
    ]  # fmt: skip
    return Case(
        place, {"c.txt": table(header, columns, "\t").encode()},
        {
            "Out": "air_temperature degF mean", "Hum": "relative_humidity % mean", 5: "wind_speed mph mean",
            "Dir": "wind_direction degree mean",
            7: "wind_gust mph max", "Bar": "air_pressure inHg mean", "Rain": "precipitation in total",
            "Rad.": "global_irradiance W/m2 mean",
        },
        offset="-05:00", interval="15min", format="%m/%d/%y %I:%M%p", questions=("not known from km/h, mph or kn",),
    )  # fmt: skip


@case
def kelvin_kilopascal_and_a_zone_in_each_stamp() -> Case:
    place = Place(47.0, 15.0, 400.0, 60)
    w = weather(place, "2023-06-01", 10, 600)
    local = [s + "+01:00" for s in stamps(w.local(place), "%Y-%m-%dT%H:%M:%S")]
    columns = [local, *as_lists(np.round(w.t + 273.15, 2), w.rh, np.round(w.p / 10, 2), w.ghi)]
    return Case(
        place, {"k.csv": table(["timestamp,T_air_K,RH_pct,p_kPa,SWin_Wm2"], columns).encode()},
        {
            "T_air_K": "air_temperature K mean", "RH_pct": "relative_humidity % mean", "p_kPa": "air_pressure kPa mean",
            "SWin_Wm2": "global_irradiance W/m2 mean",
        },
        offset="+01:00", format="%Y-%m-%dT%H:%M:%S%z", resolutions={"T_air_K": 0.1, "p_kPa": 0.01},
    )  # fmt: skip


@case
def fractions_and_kilowatts_without_units() -> Case:
    place = Place(47.0, 15.0, 400.0, 60)
    w = weather(place, "2023-05-01", 12, 600)
    columns = [
        stamps(w.local(place), "%Y-%m-%d %H:%M"),
        *as_lists(w.t, np.round(w.rh / 100, 3), np.round(w.p / 10, 2), np.round(w.ghi / 1000, 4), w.ws),
    ]
    return Case(
        place, {"f.csv": table(["Time,AirTemp,RelHum,Pressure_kPa,Solar_Avg,Wind_Avg"], columns).encode()},
        {
            "AirTemp": "air_temperature degC mean", "RelHum": "relative_humidity 1 mean",
            "Pressure_kPa": "air_pressure kPa mean",
            "Solar_Avg": "global_irradiance kW/m2 mean", "Wind_Avg": "wind_speed m/s mean",
        },
        offset="+01:00", format="%Y-%m-%d %H:%M", questions=("fit kW/m2",),
    )  # fmt: skip


# ---- layouts


@case
def no_names_row() -> Case:
    place = Place(47.0, 15.0, 400.0, 60)
    w = weather(place, "2023-06-01", 10, 600)
    columns = [stamps(w.local(place), "%Y-%m-%d %H:%M"), *as_lists(w.t, w.rh, w.p, w.ghi)]
    return Case(
        place, {"n.dat": table([], columns).encode()}, {}, offset="+01:00", format="%Y-%m-%d %H:%M",
        questions=("no names row", "column 5 keeps the sun's hours"),
    )  # fmt: skip


@case
def year_day_of_year_and_hhmm() -> Case:
    place = Place(-1.3, 36.8, 1660.0, 180)
    w = weather(place, "2023-02-01", 10, 1800)
    local = w.local(place)
    columns = [
        stamps(local, "%Y"), [str(int(x)) for x in stamps(local, "%j")], [str(int(x)) for x in stamps(local, "%H%M")],
        *as_lists(w.t, w.rh, w.ws, w.wd, w.ghi, w.rain, w.battery),
    ]  # fmt: skip
    return Case(
        place, {"d.dat": table(["Year,DOY,HHMM,Tair,RH,WS,WD,Rs,Rain,BattV"], columns).encode()},
        {
            "Tair": "air_temperature degC mean", "RH": "relative_humidity % mean", "WS": "wind_speed m/s mean",
            "WD": "wind_direction degree mean", "Rs": "global_irradiance W/m2 mean", "Rain": "precipitation mm total",
            "BattV": "battery_voltage V mean",
        },
        offset="+03:00", interval="30min", format="%Y %j %H%M",
    )  # fmt: skip


@case
def day_month_year_hour_and_snow() -> Case:
    place = Place(65.0, -150.0, 60.0, -540)
    w = weather(place, "2023-03-01", 20, 3600)
    local = w.local(place)
    header = ["Day,Month,Year,Hour,Tair (C),Incoming shortwave (W/m2),Outgoing shortwave (W/m2),Snow depth (cm)"]
    columns = [
        stamps(local, "%-d"), stamps(local, "%-m"), stamps(local, "%Y"), stamps(local, "%-H"),
        *as_lists(w.t, w.ghi, np.round(w.ghi * 0.8, 1), np.round(55 + w.ws)),
    ]  # fmt: skip
    return Case(
        place, {"y.csv": table(header, columns).encode()},
        {
            "Tair (C)": "air_temperature C mean", "Incoming shortwave (W/m2)": "global_irradiance W/m2 mean",
            "Outgoing shortwave (W/m2)": "reflected_irradiance W/m2 mean", "Snow depth (cm)": "snow_depth cm mean",
        },
        offset="-09:00", interval="1h", format="%Y %m %d %H", questions=("agree with it alike",),
    )  # fmt: skip


@case
def epoch_seconds() -> Case:
    place = Place(47.0, 15.0, 400.0)
    w = weather(place, "2023-06-01", 10, 300)
    columns = [[str(x) for x in w.end.astype(np.int64).tolist()], *as_lists(w.t, w.rh, w.p, w.ws, w.gust, w.ghi)]
    return Case(
        place, {"e.csv": table(["ts;temp;hum;baro;windspeed;windgust;solar"], columns, ";").encode()},
        {
            "temp": "air_temperature degC mean", "hum": "relative_humidity % mean", "baro": "air_pressure hPa mean",
            "windspeed": "wind_speed m/s mean", "windgust": "wind_gust m/s max", "solar": "global_irradiance W/m2 mean",
        },
        offset="+00:00", interval="5min", format="%s",
    )  # fmt: skip


@case
def newest_first_in_utf16() -> Case:
    place = Place(35.0, 139.0, 40.0, 540)
    w = weather(place, "2023-05-01", 12, 600)
    columns = [stamps(w.local(place)[::-1], "%Y/%m/%d %H:%M"), *as_lists(w.t[::-1], w.rh[::-1], w.p[::-1], w.ghi[::-1])]
    return Case(
        place, {"n.txt": table(["Date/Time\tTemp Out\tHum Out\tBarometer\tSolar Rad"], columns, "\t").encode("utf-16")},
        {
            "Temp Out": "air_temperature degC mean", "Hum Out": "relative_humidity % mean",
            "Barometer": "air_pressure hPa mean",
            "Solar Rad": "global_irradiance W/m2 mean",
        },
        offset="+09:00", format="%Y/%m/%d %H:%M",
    )  # fmt: skip


@case
def statistics_and_units_before_the_names() -> Case:
    place = Place(28.6, 77.2, 215.0, 330)
    w = weather(place, "2023-10-01", 12, 600)
    header = [
        "STATION X",
        "",
        "Inst,Avg,Max,Avg,Avg,Tot,Avg,Std",
        ",[m/s],[m/s],[deg],[degC],[mm],[W/m2],[degC]",
        "Time,WS,WS,WD,TA,RR,GHI,TA",
    ]
    columns = [
        stamps(w.local(place), "%d-%b-%Y %H:%M"),
        *as_lists(w.ws, w.gust, w.wd, w.t, w.rain, w.ghi, w.t * 0 + 0.1),
    ]
    return Case(
        place, {"b.csv": table(header, columns).encode()},
        {
            2: "wind_speed m/s mean", 3: "wind_gust m/s max", "WD": "wind_direction deg mean",
            5: "air_temperature degC mean",
            "RR": "precipitation mm total", "GHI": "global_irradiance W/m2 mean",
        },
        offset="+05:30", format="%d-%b-%Y %H:%M", questions=("+05:45 with stamps at the start",),
    )  # fmt: skip


@case
def four_header_rows_with_quotes() -> Case:
    place = Place(-25.0, 28.0, 1300.0, 120)
    w = weather(place, "2023-04-01", 12, 300)
    header = [
        '"TABLE","site","prog","1"',
        '"TIMESTAMP","RECORD","BattV_Min","PTemp_C_Avg","AirTC_Avg","RH","WS_ms_S_WVT","WindDir_D1_WVT",'
        '"WindDir_SD1_WVT","SlrkW_Avg","SlrMJ_Tot"',
        '"TS","RN","Volts","Deg C","Deg C","%","meters/second","Deg","Deg","kW/m^2","MJ/m^2"',
        '"","","Min","Avg","Avg","Smp","WVc","WVc","WVc","Avg","Tot"',
    ]
    columns = [
        [f'"{x}"' for x in stamps(w.local(place), "%Y-%m-%d %H:%M:%S")], [str(i) for i in range(100, 100 + len(w.t))],
        *as_lists(w.battery, w.t + 3, w.t), ['"NAN"' if i % 97 == 0 else f"{x:.1f}" for i, x in enumerate(w.rh)],
        *as_lists(w.ws, w.wd, w.ws * 0 + 12, np.round(w.ghi / 1000, 4), np.round(w.ghi * 0.0003, 5)),
    ]  # fmt: skip
    return Case(
        place, {"t.dat": table(header, columns).encode()},
        {
            "BattV_Min": "battery_voltage Volts min", "PTemp_C_Avg": "logger_temperature Deg C mean",
            "AirTC_Avg": "air_temperature Deg C mean",
            "RH": "relative_humidity % sample", "WS_ms_S_WVT": "wind_speed meters/second mean",
            "WindDir_D1_WVT": "wind_direction Deg vector-mean",
            "SlrkW_Avg": "global_irradiance kW/m^2 mean",
        },
        offset="+02:00", interval="5min", format="%Y-%m-%d %H:%M:%S",
    )  # fmt: skip


@case
def runs_of_blanks_under_a_marked_names_row() -> Case:
    place = Place(66.0, -20.0, 100.0)
    w = weather(place, "2023-04-01", 12, 600)
    columns = [stamps(w.end, "%Y %m %d %H %M"), *as_lists(w.t, w.rh, w.p, w.ws, w.gust, w.wd, w.ghi)]
    header = ["# AWS export", "#  YYYY MM DD hh mm   ta  rh  ps  ff  fx  dd  sw_in"]
    return Case(
        place, {"b.txt": table(header, columns, "   ").encode()},
        {
            6: "air_temperature degC mean", 7: "relative_humidity % mean", 8: "air_pressure hPa mean",
            9: "wind_speed m/s mean",
            10: "wind_gust m/s max", 11: "wind_direction degree mean", 12: "global_irradiance W/m2 mean",
        },
        offset="+00:00", format="%Y %m %d %H %M", questions=("for its mark '#'",),
    )  # fmt: skip


@case
def midnight_as_24_and_hundredths_of_joules() -> Case:
    place = Place(52.1, 5.2, 4.0)
    w = weather(place, "2023-03-01", 12, 3600)
    before = (w.end - np.timedelta64(1, "h")).astype("datetime64[s]")
    columns = [
        stamps(before, "%Y%m%d"),
        [f"{int(h) + 1:02d}:00" for h in stamps(before, "%H")],
        *as_lists(w.t, np.round(w.ghi * 0.36)),
    ]
    return Case(
        place, {"m.csv": table(["Datum,Tijd (UTC),Temperatuur (°C),Zonnestraling (J/cm2)"], columns).encode()},
        {"Temperatuur (°C)": "air_temperature °C mean", "Zonnestraling (J/cm2)": "global_irradiance J/cm2 total"},
        offset="+00:00", interval="1h", format="%Y%m%d %H:%M",
    )  # fmt: skip


@case
def start_of_the_interval() -> Case:
    place = Place(52.1, -1.2, 40.0)
    w = weather(place, "2023-06-01", 30, 1800)
    columns = [
        stamps(w.end - np.timedelta64(30, "m"), "%Y-%m-%dT%H:%M:%SZ"),
        *as_lists(w.t, w.ws, w.ws * 0 + 1.5, w.ghi),
    ]
    return Case(
        place, {"h.csv": table(["datetime_utc,t2m,u10,v10,ghi"], columns).encode()},
        {"t2m": "air_temperature degC mean", "ghi": "global_irradiance W/m2 mean"},
        offset="+00:00", interval="30min", stamps="start", format="%Y-%m-%dT%H:%M:%S%z",
    )  # fmt: skip


@case
def extremes_prove_a_sample() -> Case:
    place = Place(10.0, 20.0, 400.0)
    w = weather(place, "2023-06-01", 30, 3600)
    low, high = np.minimum(w.t, np.roll(w.t, 1)), np.maximum(w.t, np.roll(w.t, 1))
    columns = [stamps(w.end, "%Y-%m-%d %H:%M"), *as_lists(w.t, high, low, w.ghi)]
    return Case(
        place, {"x.csv": table(["Time (UTC),Temp (C),Temp max (C),Temp min (C),Solar (W/m2)"], columns).encode()},
        {"Temp (C)": "air_temperature C sample", "Solar (W/m2)": "global_irradiance W/m2 mean"},
        offset="+00:00", interval="1h", format="%Y-%m-%d %H:%M",
    )  # fmt: skip


@case
def counter_and_logger_codes() -> Case:
    place = Place(35.0, 139.0, 40.0, 540)
    w = weather(place, "2023-05-01", 12, 600)
    t, rh, p = w.t.copy(), w.rh.copy(), w.p.copy()
    t[100:110] = rh[100:110] = p[500] = 7999
    columns = [
        stamps(w.local(place), "%Y/%m/%d %H:%M"),
        *as_lists(t, rh, p, np.round(np.cumsum(w.rain) % 300, 1), np.round(w.ghi * 600 / 1e6, 4)),
    ]
    header = ["Time (JST),Air Temp (C),RH (%),Pressure (hPa),Rain total (mm),Global radiation (MJ/m2)"]
    return Case(
        place, {"c.csv": table(header, columns).encode()},
        {
            "Air Temp (C)": "air_temperature C mean", "RH (%)": "relative_humidity % mean",
            "Pressure (hPa)": "air_pressure hPa mean",
            "Rain total (mm)": "precipitation mm counter", "Global radiation (MJ/m2)": "global_irradiance MJ/m2 total",
        },
        offset="+09:00", format="%Y/%m/%d %H:%M", questions=("marker 7999 stands 21 times",
        "taken for a running total"),
    )  # fmt: skip


@case
def half_hourly_flux_table() -> Case:
    place = Place(45.0, 7.0, 1500.0, 60)
    w = weather(place, "2023-03-01", 20, 1800)
    end = w.local(place)

    def holed(x: Floats) -> list[str]:
        return ["-9999" if i % 40 == 0 else f"{v:.3f}" for i, v in enumerate(x)]

    header = [
        "TIMESTAMP_START,TIMESTAMP_END,TA_F,TA_F_QC,SW_IN_F,VPD_F,PA_F,P_F,WS_F,WD,RH,PPFD_IN,TS_F_MDS_1,SWC_F_MDS_1,"
        "G_F_MDS,LE_F_MDS,H_F_MDS"
    ]
    columns = [
        stamps(end - np.timedelta64(30, "m"), "%Y%m%d%H%M"), stamps(end, "%Y%m%d%H%M"), holed(w.t), ["0"] * len(end),
        holed(w.ghi), holed(w.t * 0 + 3.2),
        holed(w.p / 10), holed(w.rain), holed(w.ws), holed(w.wd), holed(w.rh), holed(w.par), holed(w.t * 0.3 + 5),
        holed(w.ws + 23),
        holed(w.ws), holed(w.ws), holed(w.ws),
    ]  # fmt: skip
    return Case(
        place, {"x.csv": table(header, columns).encode()},
        {
            "TA_F": "air_temperature degC mean", "SW_IN_F": "global_irradiance W/m2 mean",
            "WS_F": "wind_speed m/s mean",
            "WD": "wind_direction degree mean", "RH": "relative_humidity % mean", "PPFD_IN": "par umol/m2/s mean",
            "SWC_F_MDS_1": "soil_moisture % mean",
        },
        offset="+01:00", interval="30min", stamps="start", format="%Y%m%d%H%M", questions=("marker -9999 stands",),
    )  # fmt: skip


@case
def airport_reports() -> Case:
    place = Place(41.9, -87.9, 205.0)
    w = weather(place, "2023-04-01", 20, 3600)
    gust = ["M" if i % 3 else f"{x:.0f}" for i, x in enumerate(w.gust / KN)]
    rain = ["T" if i % 37 == 0 else f"{x / INCH:.2f}" for i, x in enumerate(w.rain)]
    columns = [
        ["AAA"] * len(w.t), stamps(w.end - np.timedelta64(9, "m"), "%Y-%m-%d %H:%M"),
        *as_lists(np.round(w.t * 1.8 + 32), w.rh, np.round(w.wd, -1), np.round(w.ws / KN)), rain, gust,
        ["OVC"] * len(w.t),
    ]  # fmt: skip
    return Case(
        place, {"a.csv": table(["station,valid,tmpf,relh,drct,sknt,p01i,gust,skyc1"], columns).encode()},
        {
            "tmpf": "air_temperature degF mean", "relh": "relative_humidity % mean",
            "drct": "wind_direction degree mean",
            "sknt": "wind_speed kn mean", "p01i": "precipitation in total", "gust": "wind_gust mph max",
        },
        offset="-06:00", interval="1h", format="%Y-%m-%d %H:%M",
        questions=("no radiation channel", "by up to 540 s", "'T' 13 times", "not known from km/h, mph or kn"),
    )  # fmt: skip


# ---- clocks that follow summer time


def _civil(w: Weather, zone: str, format: str) -> list[str]:
    return [
        t.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).strftime(format)
        for t in w.end.astype("datetime64[s]").tolist()
    ]


@case
def summer_time_in_the_south() -> Case:
    place = Place(-33.9, 151.2, 60.0)
    w = weather(place, "2023-01-01", 330, 1800)
    columns = [_civil(w, "Australia/Sydney", "%d/%m/%Y %H:%M"), *as_lists(w.t, w.p_sea, w.ghi)]
    return Case(
        place, {"s.csv": table(["Date,Temperature (°C),MSLP (hPa),Solar (W/m^2)"], columns).encode()},
        {"Temperature (°C)": "air_temperature °C mean", "MSLP (hPa)": "sea_level_pressure hPa mean",
        "Solar (W/m^2)": "global_irradiance W/m^2 mean"},
        zone="Australia/Sydney", interval="30min", format="%d/%m/%Y %H:%M", questions=("set ahead by 60 min",),
    )  # fmt: skip


@case
def summer_time_ends_in_autumn() -> Case:
    place = Place(52.5, 13.4, 40.0)
    w = weather(place, "2023-09-20", 60, 600)
    columns = [_civil(w, "Europe/Berlin", "%d.%m.%Y %H:%M"), *as_lists(w.t, w.ghi)]
    return Case(
        place, {"b.csv": table(["Zeit;Temperatur (°C);Solarstrahlung (W/m²)"], columns, ";", ",").encode()},
        {"Temperatur (°C)": "air_temperature °C mean", "Solarstrahlung (W/m²)": "global_irradiance W/m² mean"},
        zone="Europe/Berlin", format="%d.%m.%Y %H:%M", decimal=",", questions=("set ahead by",),
    )  # fmt: skip


@case
def an_index_with_its_zone_beside_parts_of_the_time() -> Case:
    """As a data-frame library writes a table: the index without a name; no units."""
    place = Place(40.0, -105.0, 2200.0, -420)
    w = weather(place, "2019-01-01", 4, 300, mild=-19.6)
    local = w.local(place)
    parts = [stamps(local, code) for code in ("%Y", "%-m", "%-d", "%-H", "%M")]
    wd = np.round(20 + w.wd / 4.0)  # a valley: 20 to 110 degrees
    columns = [stamps(local, "%Y-%m-%d %H:%M:%S-07:00"), *parts, *as_lists(w.t, w.td, w.ghi, w.p, wd)]
    head = ",Year,Month,Day,Hour,Minute,Temperature,Dew Point,GHI,Pressure,Wind Direction"
    return Case(
        place, {"exported.csv": table([head], columns).encode()},
        {"Temperature": "air_temperature degC mean", "Dew Point": "dew_point degC mean",
         "GHI": "global_irradiance W/m2 mean", "Pressure": "air_pressure hPa mean",
         "Wind Direction": "wind_direction degree mean"},
        offset="-07:00", interval="5min", format="%Y-%m-%d %H:%M:%S%z",
        questions=("are few directions", "far from the climate"),
    )  # fmt: skip


@case
def half_an_hour_of_sun_without_a_unit() -> Case:
    place = Place(35.0, -106.6, 1600.0)
    w = weather(place, "2012-04-01", 1, 60)
    noon = slice(19 * 60, 19 * 60 + 30)
    columns = [stamps(w.end[noon], "%Y-%m-%d %H:%M"), *as_lists(np.round(w.ghi[noon], 1))]
    return Case(
        place, {"noon.csv": table(["Time (UTC),GHI"], columns).encode()}, {"GHI": "global_irradiance W/m2 mean"},
        offset="+00:00", interval="1min", format="%Y-%m-%d %H:%M", questions=("have no day and night",),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("middle", "quantity"),
    [
        (-34.9, "air_temperature"),
        (-35.1, "other"),
        (-17.9, "air_temperature"),
        (38.1, "other"),
        (37.9, "air_temperature"),
    ],
)
def test_a_cold_week_is_one_and_a_hot_year_is_none(middle: float, quantity: str) -> None:
    """At the equator's heights a year's mean is 10 degC in the formula: 45 K below it is as far as winters come."""
    site = channels.Site(0.0, 0.0, 17.0 / 0.0055)
    assert site.mild == pytest.approx(10.0)
    good = np.full(100, middle)
    found = [u for u in ("degC",) if not (w := channels._misfit("air_temperature", u, good, site, 600.0, strict=True))
             or isinstance(w, channels._Rare)]  # fmt: skip
    assert ("air_temperature" if found else "other") == quantity


@pytest.mark.parametrize("make", CASES, ids=lambda make: make.__name__)
def test_invented(make: Callable[[], Case], tmp_path: Path) -> None:
    wanted = make()
    found, paths = made(wanted.files, wanted.place, tmp_path)
    station = found.station
    known = {ch.column: told(ch) for ch in station.channel if ch.quantity != "other"}
    assert known == wanted.channels
    (clock,), (only,) = station.clock, station.table
    assert (clock.utc_offset, clock.time_zone) == (wanted.offset or None, wanted.zone)
    assert (only.interval, only.stamps) == (wanted.interval, wanted.stamps)
    (layout,) = only.layout
    assert (layout.time.format, layout.decimal) == (wanted.format, wanted.decimal)
    for part in wanted.questions:
        assert any(part in q for q in found.questions), (part, found.questions)
    assert {c: ch.resolution for ch in station.channel if (c := ch.column) in wanted.resolutions} == wanted.resolutions
    assert_reads(found, paths, wanted.rejected)


def assert_reads(found: Draft, paths: list[Path], rejected: int = 0) -> None:
    record, refused = read_tables(found.station, paths)
    assert refused == [] and record.absent == ()
    assert sum(f.rejected for f in record.files) == rejected
    for f in record.files:
        assert f.lines == f.header + f.blank + f.kept + f.repeated + f.rejected
    assert sum(t.rows for t in record.tables.values()) > 0


# ---- several files, several tables


def test_several_stations_in_one_file(tmp_path: Path) -> None:
    place = Place(52.1, 5.2, 4.0)
    long, brief = weather(place, "2023-06-01", 10, 3600), weather(place, "2023-06-01", 9, 3600, seed=3)
    rows = []
    for name, w in (("HILL", brief), ("DALE", long)):
        rows += [[name, s, f"{t}", f"{u}"] for s, t, u in zip(stamps(w.end, "%Y%m%d,%-H"), w.t, w.rh, strict=True)]
    text = "# two stations\n\nSTN,YYYYMMDD,HH,Temp (C),RH (%)\n" + "\n".join(",".join(r) for r in rows) + "\n"
    found, paths = made({"two.txt": text.encode()}, place, tmp_path)
    select = found.station.table[0].select
    assert select is not None and (select.column, select.equals) == ("STN", "DALE")
    assert any("DALE (240 rows), HILL (216 rows)" in q for q in found.questions)
    record, _ = read_tables(found.station, paths)
    (account,) = record.files
    assert (account.kept, account.elsewhere, account.rejected) == (240, 216, 0)


def test_two_tables_of_one_logger(tmp_path: Path) -> None:
    place = Place(60.0, 25.0, 30.0, 120)
    ten, hour = weather(place, "2023-05-01", 12, 600), weather(place, "2023-05-01", 12, 3600)
    files = {
        "ten.csv": table(
            ["TIMESTAMP,T_Avg,RH_Avg,GHI_Avg"],
            [stamps(ten.local(place), "%Y-%m-%d %H:%M:%S"), *as_lists(ten.t, ten.rh, ten.ghi)],
        ),
        "hour.csv": table(
            ["TIMESTAMP,P_hPa,BattV_Min"],
            [stamps(hour.local(place), "%Y-%m-%d %H:%M:%S"), *as_lists(hour.p, hour.battery)],
        ),
    }
    found, paths = made({k: v.encode() for k, v in files.items()}, place, tmp_path)
    assert {t.id: t.interval for t in found.station.table} == {"every_10min": "10min", "every_1h": "1h"}
    assert {(ch.name, ch.table) for ch in found.station.channel} == {
        ("t_air", "every_10min"), ("rh", "every_10min"), ("ghi", "every_10min"), ("p", "every_1h"), ("battery",
        "every_1h")
    }  # fmt: skip
    assert found.station.clock[0].utc_offset == "+02:00"
    assert_reads(found, paths)


def test_a_renamed_column_and_another_order(tmp_path: Path) -> None:
    place = Place(40.0, 20.0, 60.0, 60)
    a, b = weather(place, "2023-04-01", 20, 1800), weather(place, "2023-05-10", 19, 1800)
    files = {
        "a.csv": table(
            ["Time,AirTC_Avg,RH,WS_ms,Rain_mm_Tot"],
            [stamps(a.local(place), "%Y-%m-%d %H:%M"), *as_lists(a.t, a.rh, a.ws, a.rain)],
        ),
        "b.csv": table(
            ["Time;Rain_mm_Tot;AirTemp_C;RH;WS_ms"],
            [stamps(b.local(place), "%Y-%m-%d %H:%M"), *as_lists(b.rain, b.t, b.rh, b.ws)],
            ";",
            ",",
        ),
    }
    found, paths = made({k: v.encode() for k, v in files.items()}, place, tmp_path)
    (only,) = found.station.table
    assert sorted(x.decimal for x in only.layout) == [",", "."]
    assert next(ch.column for ch in found.station.channel if ch.quantity == "air_temperature") == [
        "AirTC_Avg",
        "AirTemp_C",
    ]
    assert any("renamed" in q for q in found.questions)
    assert_reads(found, paths)
    record, _ = read_tables(found.station, paths)
    assert record.tables["main"].rows == len(a.t) + len(b.t)
    assert int(np.isfinite(record.tables["main"].channels["t_air"].values).sum()) == len(a.t) + len(b.t)


def test_another_names_row_in_mid_file(tmp_path: Path) -> None:
    place = Place(40.0, 20.0, 60.0, 60)
    a, b = weather(place, "2023-04-01", 10, 1800), weather(place, "2023-04-11", 19, 1800)
    first = table(["Time,AirTC_Avg,RH"], [stamps(a.local(place), "%Y-%m-%d %H:%M"), *as_lists(a.t, a.rh)])
    second = table(
        ["Time,AirTC_Avg,BP_mbar,RH,SlrW"], [stamps(b.local(place), "%Y-%m-%d %H:%M"), *as_lists(b.t, b.p, b.rh, b.ghi)]
    )
    again = second.splitlines()[0] + "\n"
    found, paths = made({"m.csv": (first + second + again).encode()}, place, tmp_path)
    (only,) = found.station.table
    assert len(only.layout) == 2
    assert [ch.quantity for ch in found.station.channel] == [
        "air_temperature",
        "air_pressure",
        "relative_humidity",
        "global_irradiance",
    ]
    assert_reads(found, paths)


def test_tips_are_events(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    times = np.datetime64("2023-05-01", "s") + np.cumsum(rng.exponential(4000, 400).astype(int)).astype(
        "timedelta64[s]"
    )
    text = table(["Zeitpunkt;Regen (mm)"], [stamps(times, "%d.%m.%Y %H:%M:%S"), ["0,2"] * 400], ";")
    found, paths = made({"tips.csv": text.encode()}, Place(47.0, 15.0, 400.0), tmp_path)
    (only,) = found.station.table
    assert (only.kind, only.interval, only.layout[0].decimal) == ("event", None, ",")
    (rain,) = found.station.channel
    assert (told(rain), rain.resolution) == ("precipitation mm total", 0.2)
    assert_reads(found, paths)


def test_stamps_that_stray(tmp_path: Path) -> None:
    place = Place(47.0, 15.0, 400.0, 60)
    w = weather(place, "2023-05-01", 12, 300)
    late = np.random.default_rng(2).integers(0, 20, len(w.t)).astype("timedelta64[s]")
    text = table(["created_at,temperature"], [stamps(w.local(place) + late, "%Y-%m-%d %H:%M:%S"), *as_lists(w.t)])
    found, paths = made({"s.csv": text.encode()}, place, tmp_path)
    assert (found.station.table[0].interval, found.station.table[0].stray) == ("5min", "19s")
    assert_reads(found, paths)


# ---- day and month


def test_day_or_month_first_from_all_files_together(tmp_path: Path) -> None:
    place = Place(40.0, 20.0, 60.0, 60)
    files = {}
    for number, first in enumerate(("2023-04-01", "2023-05-13")):
        w = weather(place, first, 9, 1800)
        files[f"{number}.csv"] = table(
            ["Time,AirTC"], [stamps(w.local(place), "%d/%m/%Y %H:%M"), *as_lists(w.t)]
        ).encode()
    found, _ = made(files, place, tmp_path)
    assert found.station.table[0].layout[0].time.format == "%d/%m/%Y %H:%M"
    assert not any("day or month" in q for q in found.questions)


@pytest.mark.parametrize("format", ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"])
def test_day_or_month_first_from_the_breaks_between_rows(format: str, tmp_path: Path) -> None:
    place = Place(40.0, 20.0, 60.0)
    w = weather(place, "2023-04-02", 9, 1800)
    found, _ = made({"a.csv": table(["Time,AirTC"], [stamps(w.end, format), *as_lists(w.t)]).encode()}, place, tmp_path)
    assert found.station.table[0].layout[0].time.format == format
    assert "break off" in found.text
    assert not any("day or month" in q for q in found.questions)


@pytest.mark.parametrize(("longitude", "format"), [(-100.0, "%m/%d/%Y %H:%M"), (20.0, "%d/%m/%Y %H:%M")])
def test_day_or_month_first_is_asked_where_nothing_shows_it(longitude: float, format: str, tmp_path: Path) -> None:
    place = Place(40.0, longitude, 60.0)
    w = weather(place, "2023-04-02", 0.5, 1800)
    found, _ = made(
        {"a.csv": table(["Time,AirTC"], [stamps(w.end, "%d/%m/%Y %H:%M"), *as_lists(w.t)]).encode()}, place, tmp_path
    )
    assert found.station.table[0].layout[0].time.format == format
    assert any("day or month first?" in q for q in found.questions)


# ---- what must not be believed


def test_names_units_and_values_that_contradict_each_other(tmp_path: Path) -> None:
    place = Place(47.0, 15.0, 900.0, 60)
    w = weather(place, "2023-05-01", 5, 300)
    header = [
        "Time,Temp (hPa),Humidity (%),Pressure (hPa),Wind dir (m/s),Temperature (°C),Dew point (°C),Gust (m/s),Wind "
        "(m/s),Solar (W/m2),T2 (V),"
        "Sea level pressure (hPa)"
    ]
    columns = [
        stamps(w.local(place), "%Y-%m-%d %H:%M:%S"),
        *as_lists(w.t, w.rh * 40, w.p_sea, w.wd, w.t, w.t + 5, w.ws, w.gust, w.t + 300, w.battery, w.p),
    ]
    found, paths = made({"c.csv": table(header, columns).encode()}, place, tmp_path)
    assert {ch.column: ch.quantity for ch in found.station.channel} == {
        "Temp (hPa)": "other", "Humidity (%)": "other", "Pressure (hPa)": "sea_level_pressure",
        "Wind dir (m/s)": "other",
        "Temperature (°C)": "air_temperature", "Dew point (°C)": "other", "Gust (m/s)": "other",
        "Wind (m/s)": "wind_speed",
        "Solar (W/m2)": "other", "T2 (V)": "other", "Sea level pressure (hPa)": "other",
    }  # fmt: skip
    for part in (
        "Temp (hPa)): the name says air_temperature, but its unit 'hPa' is that of air_pressure",
        "Humidity (%)): the name says relative_humidity, but 100 % of the values lie outside",
        "is that of sea level, not that of 900 m", "above the air temperature in more than half",
        "below the wind speed in", "W/m2 by night",
        "the name says sea_level_pressure, but the median of 9",
    ):  # fmt: skip
        assert any(part in q for q in found.questions), part
    assert_reads(found, paths)


def test_thermistors_named_by_numbers_are_other(tmp_path: Path) -> None:
    place = Place(47.0, 15.0, 400.0)
    w = weather(place, "2023-05-01", 5, 600)
    header = ["Time,T1 (C),T2 (C),T3 (C),Rain gauge temperature (C),P,U"]
    columns = [stamps(w.end, "%Y-%m-%d %H:%M"), *as_lists(w.t, w.t - 1, w.t - 2, w.t, w.p, w.rh)]
    found, _ = made({"t.csv": table(header, columns).encode()}, place, tmp_path)
    assert {ch.column: ch.quantity for ch in found.station.channel if ch.quantity != "other"} == {
        "P": "air_pressure",
        "U": "relative_humidity",
    }


def test_names_row_that_cannot_be_matched_gives_no_quantity(tmp_path: Path) -> None:
    place = Place(47.0, 15.0, 400.0)
    w = weather(place, "2023-05-01", 5, 600)
    columns = [stamps(w.end, "%Y-%m-%d %H:%M"), *as_lists(w.t, w.rh, w.ws, w.p)]
    text = table(["Date   Time   Air Temp   Rel Hum   Wind Speed   Pressure"], columns, "  ")
    found, paths = made({"t.txt": text.encode()}, place, tmp_path)
    assert {ch.quantity for ch in found.station.channel} == {"other"}
    assert any(
        "columns go by position: the names row has 9 names and the rows have 6 cells" in q for q in found.questions
    )
    assert_reads(found, paths)


def test_hostile_names(tmp_path: Path) -> None:
    place = Place(47.0, 15.0, 400.0, 60)
    w = weather(place, "2023-05-01", 5, 300)
    names = [
        "Time",
        'Temp ""out"" (°C)',
        "=HYPERLINK(1)",
        "x" * 10_000,
        "\u202eRH (%)",
        "",
        "all",
        'Temp ""out"" (°C)',
        "a\x07b\\",
        "Température\u2028]",
    ]
    header = [",".join(f'"{n}"' for n in names)]
    columns = [stamps(w.local(place), "%Y-%m-%d %H:%M:%S"), *as_lists(w.t, w.p, w.rh, w.rh, w.ws, w.ws, w.t, w.ws, w.t)]
    found, paths = made({"h\u202e.csv": table(header, columns).encode()}, place, tmp_path)
    assert len(found.station.channel) == 9
    assert [ch.column for ch in found.station.channel][:4] == [2, "=HYPERLINK(1)", 4, "\u202eRH (%)"]
    assert all(c >= " " or c == "\n" for c in found.text) and "\u202e" not in found.text and "\u2028" not in found.text
    assert max(map(len, found.text.splitlines())) < 600
    assert_reads(found, paths)


def test_coordinates_in_the_table_that_are_not_the_ones_given(tmp_path: Path) -> None:
    place = Place(-8.9, -36.5, 828.0)
    w = weather(place, "2023-05-01", 5, 3600)
    text = table(
        ["LATITUDE:;-8,05916666", "LONGITUDE:;-36,5", "ALTITUDE:;11,3", "Data;Hora UTC;TEMPERATURA (°C)"],
        [stamps(w.end, "%Y/%m/%d"), stamps(w.end, "%H%M UTC"), *as_lists(w.t)], ";", ",",
    )  # fmt: skip
    found, _ = made({"a.csv": text.encode()}, place, tmp_path)
    asked = [q for q in found.questions if "a line of the table says" in q]
    assert len(asked) == 2 and "latitude" in asked[0] and "elevation" in asked[1]


@pytest.mark.parametrize(
    ("format", "delimiter", "decimal"), [("%d.%m.%Y %H:%M", ",", "."), ("%Y-%m-%d %H:%M", ";", ",")]
)
def test_files_of_one_names_row_that_write_otherwise_are_told(
    format: str, delimiter: str, decimal: str, tmp_path: Path
) -> None:
    place = Place(40.0, 20.0, 60.0)
    a, b = weather(place, "2023-04-01", 20, 1800), weather(place, "2023-05-10", 9, 1800)
    first = table(["Time,AirTC"], [stamps(a.end, "%Y-%m-%d %H:%M"), *as_lists(a.t)])
    second = table([f"Time{delimiter}AirTC"], [stamps(b.end, format), *as_lists(b.t)], delimiter, decimal)
    found, paths = made({"a.csv": first.encode(), "b.csv": second.encode()}, place, tmp_path)
    assert any("b.csv has the names row of a.csv, but not its" in q for q in found.questions)
    assert "# not sure: not used: b.csv has the names row of a.csv" in found.text
    assert_reads(found, paths[:1])
