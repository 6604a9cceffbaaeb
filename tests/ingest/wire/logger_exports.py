"""Ten exports as loggers write them, of invented cabins, and the rows that each must become.

`python -m tests.ingest.wire.logger_exports` writes the files anew into `tests/ingest/wire/exports/`. The truth is
worked out here, in decimal arithmetic from the figures that stand in each file, and by nothing of the program: 1 US
gallon is 3.785411784 L (NIST SP 811, B.8; from memory), degC = (degF - 32) / 1.8, 1 mW/cm2 = 10 W/m2.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

FOLDER = Path(__file__).parent / "exports"
LOCAL = ZoneInfo("America/Toronto")
GALLON = Decimal("3.785411784")
DIGITS = {"intensity_w_m2": 2, "flow_l_min": 3, "total_l": 2, "uvt_pct": 2, "water_temp_c": 2, "battery_v": 3,
          "lamp_hours": 4}
HERON, MAIN, ANNEX = ("heron-point", "main"), ("otter-cove", "main"), ("otter-cove", "annex")
WHERE = ("--cabin", HERON[0], "--unit", HERON[1])
TORONTO = ("--zone", "America/Toronto")

Row = dict[str, object]
Convert = Callable[[Decimal], Decimal]


@dataclass
class Export:
    """A file, what must be told of it, and what it holds.

    `wrong`: for each, options that are wrong, and what the refusal says.
    """

    name: str
    data: bytes
    tell: tuple[str, ...]
    truth: list[Row]
    wrong: list[tuple[tuple[str, ...], str]]
    untold: str  # what is asked where nothing is told
    found: list[str] = field(default_factory=list)  # what the look says without being told


def plain(figure: Decimal) -> Decimal:
    return figure


def times(factor: str | Decimal) -> Convert:
    return lambda figure: figure * Decimal(factor)


def instants(n: int, days: tuple[int, int] = (3, 16), hours: int = 4) -> list[dt.datetime]:
    """Instants of Toronto's November 2025, a reading every four hours: days on either side of the 12th."""
    first = dt.datetime(2025, 11, days[0], 0, 5, 30, tzinfo=LOCAL)
    return [at for at in (first + dt.timedelta(hours=hours * k) for k in range(n)) if at.day <= days[1]]


def row(at: dt.datetime, key: tuple[str, str], **values: object) -> Row:
    out: Row = {"cabin": key[0], "unit": key[1], "at": at.astimezone(dt.UTC)}
    for column, value in values.items():
        if isinstance(value, Decimal):
            value = float(value.quantize(Decimal(1).scaleb(-DIGITS[column]), ROUND_HALF_EVEN))
        out[column] = value
    return out


def figures(k: int) -> dict[str, Decimal]:
    """Figures of the k-th reading, as a display shows them, for whatever unit."""
    return {"flow": Decimal(k % 7) * Decimal("1.37") + Decimal("0.5"), "uv": Decimal("41.07") + Decimal(k % 5) / 10,
            "total": Decimal("1203.4") + Decimal(k) * Decimal("3.7"), "temp": Decimal("46.3") + Decimal(k % 9) / 10}


def comma(figure: Decimal) -> str:
    return str(figure).replace(".", ",")


def text(*lines: str, end: str = "\n") -> str:
    return end.join(lines) + end


def semicolon() -> Export:
    """Semicolons and decimal commas, ISO times without an offset."""
    lines, truth = ["Timestamp;Flow (l/min);UV intensity [W/m2];Total volume (m3)"], []
    for k, at in enumerate(instants(70)):
        of = figures(k)
        lines.append(f"{at:%Y-%m-%d %H:%M:%S};{comma(of['flow'])};{comma(of['uv'])};{comma(of['total'])}")
        truth.append(row(at, HERON, flow_l_min=of["flow"], intensity_w_m2=of["uv"], total_l=of["total"] * 1000))
    return Export("semicolon.csv", text(*lines).encode(), (*WHERE, *TORONTO), truth, [
        (("--decimal", "."), "its decimal mark is not '.': it has '0,50'"),
        (("--delimiter", "comma"), "--header-row, or another --delimiter"),
        (("--encoding", "utf-16"), "it is not in utf-16: it has no byte order mark"),
        (("--encoding", "utf-16-le"), "it has no zero byte"),
        (("--header-row", "2"), "line 2 does not name the columns: '2025-11-03 00:05:30;0' is no name"),
        (("--date-order", "dmy"), "its dates are not as dmy"),
        (("--column", "Flow (l/min)=flow_l_min:gpm"), "one of them is wrong"),
        (("--column", "Flow=flow_l_min:l/min"), "no column 'Flow', which was told"),
    ], "the zone of times like '2025-11-03 00:05:30'", ["decimal mark: ,", "delimiter: semicolon", "in m3"])


def us_units() -> Export:
    """A day and a time of day apart, month first, twelve hours, US units."""
    lines, truth = ["Date,Time,Flow (gpm),Total (gal),Water temp (°F),Lamp hours"], []
    for k, at in enumerate(instants(70)):
        of = figures(k)
        lines.append(f"{at.month}/{at.day}/{at.year},{at.hour % 12 or 12}:{at:%M:%S %p},{of['flow']},{of['total']},"
                     f"{of['temp']},{4100 + k * 4}")
        truth.append(row(
            at, HERON, flow_l_min=of["flow"] * GALLON, total_l=of["total"] * GALLON,
            water_temp_c=(of["temp"] - 32) / Decimal("1.8"), lamp_hours=Decimal(4100 + k * 4)))
    return Export("us-units.csv", text(*lines).encode(), (*WHERE, *TORONTO), truth, [
        (("--date-order", "dmy"), "its dates are not as dmy: 11/13/2025 is none"),
        (("--date-order", "ymd"), "its dates are not as ymd"),
        (("--decimal", ","), "its decimal mark is not ','"),
        (("--encoding", "latin-1"), "it is not in latin-1: it is valid utf-8"),
        (("--column", "Water temp (°F)=water_temp_c:Cel"), "one of them is wrong"),
        (("--column", "Total (gal)=total_l:mg/l"), "total_l cannot be in 'mg/l'"),
    ], "the zone of times like '11/3/2025 12:05:30 AM'", ["date order: month, day, year", "US gallons"])


def ambiguous() -> Export:
    """Days that may be months: nothing in the file tells them apart."""
    lines, truth = ["Timestamp,Flow rate (L/min),Battery voltage (V)"], []
    for k, at in enumerate(instants(60, days=(3, 10))):
        of = figures(k)
        lines.append(f"{at:%m/%d/%Y %H:%M},{of['flow']},{Decimal('12.41') + Decimal(k % 4) / 100}")
        truth.append(row(at.replace(second=0), HERON, flow_l_min=of["flow"],
                         battery_v=Decimal("12.41") + Decimal(k % 4) / 100))
    return Export("month-or-day.csv", text(*lines).encode(), (*WHERE, *TORONTO, "--date-order", "mdy"), truth, [
        (("--date-order", "dmy"), "each would lie a month or more from the one before"),
        (("--date-order", "ymd"), "its dates are not as ymd"),
        (("--delimiter", "tab"), "--header-row, or another --delimiter"),
    ], "the order of its dates, ambiguous", ["delimiter: comma"])


def junk() -> Export:
    """Lines of a logger's own words above the header, tabs between cells, days with dots."""
    lines = ["Logger export, made 17.11.2025", "Serial no.\t004711", "Site: Heron Point; pump house", "",
             "Interval 4 h, averaged, 3 channels", "Date\tTime\tFlow [l/s]\tUV irradiance [mW/cm²]\tBattery [mV]"]
    truth = []
    for k, at in enumerate(instants(70)):
        flow, uv = Decimal(k % 7) / 10, Decimal("4.117") + Decimal(k % 5) / 100
        lines.append(f"{at:%d.%m.%Y}\t{at:%H:%M:%S}\t{flow}\t{uv}\t{12410 + k % 4}")
        truth.append(row(at, HERON, flow_l_min=flow * 60, intensity_w_m2=uv * 10,
                         battery_v=Decimal(12410 + k % 4) / 1000))
    return Export("junk-above.txt", text(*lines, end="\r\n").encode(), (*WHERE, *TORONTO), truth, [
        (("--header-row", "1"), "line 1 has 1 cells, and most lines below it another number"),
        (("--header-row", "7"), "line 7 does not name the columns: '03.11.2025' is no name"),
        (("--header-row", "999"), "line 999 is empty or not there"),
        (("--date-order", "mdy"), "its dates are not as mdy: 13/11/2025 is none"),
        (("--column", "Flow [l/s]=flow_l_min:m3/s"), "one of them is wrong"),
    ], "the zone of times", ["header row: 6 (5 lines above it hold no row)", "delimiter: tab"])


def utf_16() -> Export:
    """UTF-16 with its byte order mark, as spreadsheets save text."""
    lines, truth = ["Date & Time\tWater temperature (°C)\tUVT (%)"], []
    for k, at in enumerate(instants(70)):
        temp, uvt = Decimal("7.9") + Decimal(k % 6) / 10, Decimal("84.5") - Decimal(k % 3) / 4
        lines.append(f"{at:%d/%m/%Y %H:%M:%S}\t{temp}\t{uvt}")
        truth.append(row(at, HERON, water_temp_c=temp, uvt_pct=uvt))
    data = b"\xff\xfe" + text(*lines, end="\r\n").encode("utf-16-le")
    return Export("utf-16.txt", data, (*WHERE, *TORONTO), truth, [
        (("--encoding", "utf-8"), "it is not in utf-8: it has the byte order mark of utf-16"),
        (("--encoding", "latin-1"), "it has the byte order mark of utf-16"),
        (("--date-order", "mdy"), "its dates are not as mdy"),
        (("--column", "UVT (%)=uvt_pct:/"), "one of them is wrong"),
    ], "the zone of times", ["encoding: utf-16", "date order: day, month, year"])


def latin_1() -> Export:
    """Latin-1, headers that are not English, a column without a unit in its name."""
    lines, truth = ["Horodatage;Débit;Température de l'eau (°C);Remarque"], []
    for k, at in enumerate(instants(70)):
        of = figures(k)
        lines.append(f"{at:%d/%m/%Y %H:%M};{comma(of['flow'])};{comma(Decimal('8.2') + Decimal(k % 6) / 10)};été")
        truth.append(row(at.replace(second=0), HERON, flow_l_min=of["flow"],
                         water_temp_c=Decimal("8.2") + Decimal(k % 6) / 10))
    columns = ("--column", "Horodatage=at", "--column", "Débit=flow_l_min:l/min", "--column",
               "Température de l'eau (°C)=water_temp_c", "--column", "Remarque=-")
    tell = (*WHERE, *TORONTO, "--encoding", "latin-1", *columns)
    return Export(
        "latin-1.csv", text(*lines).encode("latin-1"), tell, truth, [
            (("--encoding", "utf-8"), "it is not in utf-8: it has bytes that are none of its characters"),
            (("--encoding", "cp437"), "no column 'Débit', which was told"),
            (("--column", "Débit=flow_l_min"), "the unit of 'Débit'"),
            (("--column", "Température de l'eau (°C)=water_temp_c:degF"), "one of them is wrong"),
            (("--decimal", "."), "its decimal mark is not '.'"),
        ], "its encoding, which is not UTF-8: --encoding")


def events() -> Export:
    """Words for what is on: a lamp that is off, one in alarm, mains that are present."""
    lines, truth = ["Timestamp,Lamp status,Mains present,UV intensity (uW/cm²)"], []
    words: tuple[tuple[str, bool | None], ...] = (("ON", True), ("off", False), ("alarm", False), ("Test", None))
    for k, at in enumerate(instants(70)):
        word, lit = words[k % 4]
        lines.append(f"{at.isoformat()},{word},{'Yes' if k % 5 else 'NO'},{4100 + k}")
        truth.append(row(at, HERON, lamp_on=lit, power_on=bool(k % 5), intensity_w_m2=Decimal(4100 + k) / 100))
    told = ("--word", "alarm=off", "--word", "test=unknown")
    return Export("words.csv", text(*lines).encode(), (*WHERE, *told), truth, [
        (("--word", "alarm=dark"), "--word must be like"),
        (("--column", "Lamp status=lamp_on:h"), "lamp_on cannot be in 'h'"),
        (("--column", "Lamp status=flow_l_min:gpm", "--column", "Mains present=-", "--column",
          "UV intensity (uW/cm²)=-"), "every row was refused"),
    ], "what 'alarm' in 'Lamp status' means", ["zone: by each time's offset"])


def wide() -> Export:
    """One column a unit: two units of a cabin in one file, of which one is silent at times."""
    lines, truth = ["Timestamp (UTC);Main flow;Annex flow;Main UV;Battery (V)"], []
    for k, at in enumerate(instants(70)):
        of, utc = figures(k), at.astimezone(dt.UTC)
        annex = "" if k % 3 == 0 else str(of["flow"] + 1)
        lines.append(f"{utc:%Y-%m-%d %H:%M:%S};{of['flow']};{annex};{of['uv']};12.5")
        truth.append(row(at, MAIN, flow_l_min=of["flow"], intensity_w_m2=of["uv"]))
        if annex:
            truth.append(row(at, ANNEX, flow_l_min=of["flow"] + 1))
    tell = ("--column", "Main flow=otter-cove/main/flow_l_min:l/min", "--column",
            "Annex flow=otter-cove/annex/flow_l_min:l/min", "--column",
            "Main UV=otter-cove/main/intensity_w_m2:W/m2", "--column", "Battery (V)=-")
    return Export("wide.csv", text(*lines).encode(), tell, truth, [
        (("--column", "Annex flow=otter-cove/main/flow_l_min:l/min"), "two headers fill flow_l_min"),
        (("--column", "Annex flow=otter-cove/flow_l_min:l/min"), "CABIN/UNIT/ and a quantity"),
        (("--column", "Battery (V)=battery_v"), "no column 'cabin' and no --cabin"),
        (TORONTO, "its header says that times are in UTC"),
    ], "what 'Main flow' is")


def quoted() -> Export:
    """Commas between cells and in numbers, so that numbers are quoted; years in two digits, day first."""
    lines, truth = ['"Date","Time","Flow (m3/h)","UV transmittance (ratio)"'], []
    for k, at in enumerate(instants(70)):
        flow, uvt = Decimal(k % 7) * Decimal("0.12") + Decimal("0.5"), Decimal("0.845") - Decimal(k % 3) / 400
        lines.append(f'"{at:%d-%m-%y}","{at:%H:%M:%S}","{comma(flow)}","{comma(uvt)}"')
        truth.append(row(at, HERON, flow_l_min=flow * 1000 / 60, uvt_pct=uvt * 100))
    tell = (*WHERE, *TORONTO, "--date-order", "dmy")
    return Export("quoted.csv", text(*lines, end="\r\n").encode(), tell, truth, [
        (("--date-order", "mdy"), "its dates are not as mdy"),
        (("--date-order", "ymd"), "as dmy they follow day by day"),
        (("--decimal", "."), "its decimal mark is not '.'"),
        (("--delimiter", "semicolon"), "--header-row, or another --delimiter"),
    ], "the order of its dates, ambiguous")


def bare_utf_16() -> Export:
    """UTF-16 without a mark, bars between cells, and a last line that is torn."""
    lines, truth = ["at|flow_l_min|lamp_on"], []
    for k, at in enumerate(instants(70)):
        of = figures(k)
        lines.append(f"{at.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ}|{of['flow']}|{k % 2}")
        truth.append(row(at, HERON, flow_l_min=of["flow"], lamp_on=bool(k % 2)))
    data = (text(*lines) + "2025-11-17T00").encode("utf-16-be")
    return Export("no-mark.csv", data, (*WHERE, "--encoding", "utf-16-be"), truth, [
        (("--encoding", "utf-16-le"), "its zero bytes are of the other byte order"),
        (("--encoding", "utf-16"), "it has no byte order mark"),
        (("--encoding", "utf-8"), "it has zero bytes, as utf-16 has"),
        (("--encoding", "ebcdic"), "--encoding must be one of"),
        (("--delimiter", ":"), "--delimiter must be one of"),
    ], "likely --encoding utf-16-be")


EXPORTS = {one.name: one for one in (
    semicolon(), us_units(), ambiguous(), junk(), utf_16(), latin_1(), events(), wide(), quoted(), bare_utf_16())}

if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for one in EXPORTS.values():
        (FOLDER / one.name).write_bytes(one.data)
        print(f"{one.name}: {len(one.truth)} rows")
