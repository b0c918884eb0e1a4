"""Names of columns in several languages: the quantity that each means, and traps that must not be taken for one."""

from __future__ import annotations

import pytest

from qc.draft import words

NAMES = {
    "air_temperature": (
        "AirTC_Avg;Air Temp;Lufttemperatur;Température de l'air;Temperatura del aire;Temperatura do ar;Temperatura "
        "aria;Temperatuur;Temperatura powietrza;"
        "Lufttemperatur 2 m;T2m;Ta;t_air;Outdoor Temperature;Temp Out;tmpf;TT_TU;T;Temp. Aire;Temp;TEMPERATURE_2M;"
        "Utetemperatur;outTemp;airtemperature"
    ),
    "relative_humidity": (
        "RH;RelHum;Relative Humidity;rel. Feuchte;Luftfeuchtigkeit;Luftfeuchte;Humidité relative;Humedad relativa;"
        "Umidade relativa;Umidità;"
        "Luchtvochtigheid;Wilgotność względna;Relativ luftfuktighet;HR;Out Hum;outHumidity;U;relh;Hum"
    ),
    "dew_point": "Dew point;Taupunkt;Tdew;Td;Point de rosée;Punto de rocío;Ponto de orvalho;Punto di rugiada;Dauwpunt;"
                 "Punkt rosy;Daggpunkt;dewp;DewPt",
    "air_pressure": (
        "BP_mbar_Avg;Pressure;Air pressure;Luftdruck;Pression atmosphérique;Presión atmosférica;Pressão atmosférica;"
        "Pressione;Luchtdruk;Ciśnienie;"
        "Lufttryck;Lufttrykk;Barometer;Station pressure;P;p;Pstat;QFE;absolute pressure;baro;barometric_pressure;"
        "Pressao ao nivel da estacao"
    ),
    "sea_level_pressure": (
        "SLP;MSLP;QNH;QFF;Sea level pressure;Luftdruck (NN);reduzierter Luftdruck;Pression au niveau de la mer;"
        "Presión a nivel del mar;"
        "Pressão ao nível do mar;Luchtdruk op zeeniveau;Relative Pressure;Lufttryck reducerat havsytans nivå;PMER;"
        "altimeter"
    ),
    "wind_speed": (
        "WS_ms_Avg;Wind Speed;WSpd;wv;Windgeschwindigkeit;Windgeschw.;Vitesse du vent;Vent moyen;Velocidad del viento;"
        "Velocidade do vento;"
        "Velocità vento;Windsnelheid;Prędkość wiatru;Vindhastighet;sknt;FF;windspeed;VENTO, VELOCIDADE HORARIA;"
        "Vindstyrka;Wind"
    ),
    "wind_gust": (
        "Gust;WS_Max;Wind Gust;windgust;Windböe;Böe;Windspitze;Rafale;Ráfaga;Racha;Rajada;Raffica;Windstoot;Poryw;"
        "Byvind;Vindkast;MaxWSpd;"
        "Hi Speed;FX;max. wv;VENTO, RAJADA MAXIMA;Max Wind Speed;Velocidad máxima del viento"
    ),
    "wind_direction": (
        "WindDir_D1_WVT;Wind Dir;WD;Wdir;Windrichtung;Direction du vent;Dirección del viento;Direção do vento;"
        "Direzione vento;Windrichting;"
        "Kierunek wiatru;Vindriktning;Vindretning;drct;DD;VENTO, DIREÇÃO HORARIA"
    ),
    "global_irradiance": (
        "GHI;SWDR;SlrW_Avg;Solar Rad.;Solar Radiation;Globalstrahlung;Rayonnement global;Radiación global;Radiacao "
        "global;Radiação solar;Radiazione solare;"
        "Zonnestraling;Globale straling;Promieniowanie całkowite;Globalstrålning;Rg;SW_IN;SWdown;Kdown;incoming "
        "shortwave;srad;Rs;I_glo_Avg;K↓;global_radiation"
    ),
    "diffuse_irradiance": "DHI;Diffuse;Diffusstrahlung;Rayonnement diffus;Radiación difusa;I_dif_Avg;"
                          "diffuse_horizontal;Radiação difusa",
    "direct_irradiance": "DNI;BNI;Direct normal irradiance;Direktstrahlung;Rayonnement direct;Radiación directa;"
                         "pyrheliometer;beam",
    "reflected_irradiance": "SWUR;SW_OUT;Reflected solar;Kup;outgoing shortwave;Reflexstrahlung;Radiación reflejada;"
                            "SWup",
    "longwave_down": "LWD;LW_IN;LWDR;LWdown;Longwave incoming;IR_dn;Gegenstrahlung;atmospheric longwave",
    "longwave_up": "LWU;LW_OUT;LWup;outgoing longwave;Ausstrahlung",
    "net_radiation": "NETRAD;Rn;Net radiation;Rnet;Strahlungsbilanz;Rayonnement net;Radiación neta;Saldo de radiação;"
                     "net_rad_avg",
    "par": "PAR;PPFD;TotPAR;PAR_Den_Avg;PPFD_IN;Quantum;photosynthetic_photon_flux",
    "precipitation": (
        "Rain_mm_Tot;Rain;Precip;TotPrcp;Niederschlag;Regen;Pluie;Précipitations;Lluvia;Precipitación;Chuva;"
        "Precipitação total;Pioggia;Neerslag;"
        "Opad;Nederbörd;Nedbør;RR1;rain_accumulation;ppt;R1;rainfall;Tipping bucket;daily rain"
    ),
    "sunshine": "Sunshine;Sonnenscheindauer;Durée d'insolation;Heliofanía;Insolação;Zonneschijnduur;Solskenstid;"
                "sunshine_duration;SSD",
    "snow_depth": "Snow depth;Schneehöhe;Hauteur de neige;Espesor de nieve;Sneeuwhoogte;Snödjup;HS;SnowDep",
    "soil_temperature": "Soil temp;Tsoil_5cm;Bodentemperatur 10 cm;Température du sol;Temperatura del suelo;"
                        "Temperatura do solo;Bodemtemperatuur;Marktemperatur;T_soil;ST_10",
    "soil_moisture": "VWC;SWC_1;Bodenfeuchte;Soil moisture;Humidité du sol;Humedad del suelo;Umidade do solo;VW_Avg;"
                     "soil_water_content",
    "surface_temperature": "Surface temp;IRT;Tsurf;Oberflächentemperatur;Skin temperature;Température de surface",
    "leaf_wetness": "Leaf wetness;LWS;Blattnässe;Blattfeuchte;Mouillage;Humectación foliar",
    "battery_voltage": "Batt_Volt_Min;BattV;Battery;Batteriespannung;Tension batterie;Voltaje batería;Vbat;Akku;"
                       "battery_voltage",
    "charge_voltage": "Charge voltage;Solar panel voltage;Ladespannung;PV voltage;Vsolar;charger_v",
    "logger_temperature": "PTemp_C_Avg;Tlog;Logger temp;Panel temperature;Loggertemperatur;internal temperature;"
                          "T_panel;datalogger_temp",
    "other": (
        "Tpot (K);VPmax;VPD;VPact;VPdef;sh (g/kg);H2OC;rho;CO2;UV Index;I_uv_Avg;Wet bulb;Feuchttemperatur;Bulbo "
        "húmedo;Heat Index;Wind Chill;THW Index;"
        "ET;Evapotranspiration;Wind Run;Rain Rate;rain_intensity;rain_duration;raining (s);Niederschlagsdauer;"
        "Niederschlagsintensität;F_ATemp;RH_QC;"
        "Status;FanStatus;Tach_Tot;Visibility;Sichtweite;Cloud cover;Bewölkung;In Temp;Indoor Humidity;"
        "Innentemperatur;Gust direction;Richtung der Böe;"
        "Water temperature;Canopy temp;Road temperature;Solar panel temperature;Pyranometer temp;Battery temperature;"
        "Soil heat flux;G_plate;albedo;zenith;"
        "u10;v10;Wind_x;Pressure tendency;absolute humidity;mixing ratio;Snow water equivalent;POA irradiance;tilted "
        "radiation;PM2.5;O3;lightning strikes;"
        "Time of max gust;elevation;latitude;degree days;potential temperature;virtual temperature;MaxWSpdT;"
        "illuminance;battery current"
    ),
}  # fmt: skip
CASES = [(quantity, name) for quantity, names in NAMES.items() for name in names.split(";")]


@pytest.mark.parametrize(("quantity", "name"), CASES)
def test_the_first_meaning(quantity: str, name: str) -> None:
    found = words.meanings(words.unit_in(name)[1])
    # what is not in the list may also be a word that nothing knows
    assert (found[0].quantity if found else "other") == quantity
