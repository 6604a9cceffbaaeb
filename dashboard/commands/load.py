"""`load`: sensor logs from files into the store."""

from __future__ import annotations

import argparse
import json
import sys
import time
import uuid
from collections.abc import Hashable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from dashboard.commands._looking import add_options, open_of_look, print_look, told_by
from dashboard.commands._words import command, settings_of
from ingest import private_files, room
from ingest.db.engine import could_not_write
from ingest.registry.tables import load_names
from ingest.settings import BadInput, NoRoom, Settings
from ingest.store import Access, open_store
from ingest.wire.csv_log import Chunk, read_csv
from ingest.wire.csv_look import Look, is_plain, look, rows_of
from ingest.wire.csv_shape import column_map, zone
from ingest.wire.csv_told import Told
from ingest.wire.profiles import profile, profile_name
from ingest.wire.senml_lines import read_senml_lines
from models.succession import Names

SHOWN = 10
ROOM_S = 1.0  # between two looks whether there is room again
CSV, SENML = (".csv", ".txt", ".tsv"), (".jsonl", ".ndjson", ".senml")


def add(commands: Any) -> None:
    """Add the command."""
    load = command(
        commands, "load", do_load, example="tarnlight load heron-point.csv --zone America/Toronto")
    load.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="*.csv, *.txt, *.tsv, or *.jsonl / *.ndjson / *.senml")
    load.add_argument("--columns", type=Path, metavar="mapping.toml", help="other headers and units")
    load.add_argument("--cabin", help="the cabin, where the file does not say")
    load.add_argument("--unit", help="the unit, where the file does not say")
    add_options(load)


def progress_bar() -> Progress:
    """A bar on stderr, so that standard output stays clean."""
    return Progress(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(), TimeRemainingColumn(), console=Console(stderr=True))


def do_load(options: argparse.Namespace) -> int:
    """Files in, and a summary of each; or what they are taken for."""
    for path in options.files:
        if not path.is_file():
            raise BadInput(f"{path}: no such file")
        if path.suffix.lower() not in (*CSV, *SENML):
            raise BadInput(f"{path}: the name must end in one of {', '.join((*CSV, *SENML))}")
    told = told_by(options)
    _require_csv(options, told)
    if options.look and not (options.profile or options.save_profile):
        return _look_only(options, told, datetime.now(UTC))
    settings = settings_of(options)
    store = open_store(settings)
    try:
        if options.profile:
            told = told.over(profile(store, options.profile))
        if options.look:
            return _look_only(options, told, store.now(), store)
        # nothing is taken of any file while something has to be told of one of them
        chunks = [chunks_of(path, options, told, store) for path in options.files]
        whole = [load_one(store, path, settings, found) for path, found in zip(options.files, chunks, strict=True)]
    finally:
        store.close()
    return 0 if all(whole) else 2


def _require_csv(options: argparse.Namespace, told: Told) -> None:
    """Refuse to look at files that say themselves what they hold, and to save what several are taken for."""
    other = [path for path in options.files if path.suffix.lower() in SENML]
    said = options.look or options.profile or options.save_profile or _says(told, options)
    if other and said:
        raise BadInput(f"{other[0]}: --look, a profile and what is told of a file are for {', '.join(CSV)}")
    if options.save_profile and profile_name(options.save_profile) and len(options.files) > 1:
        raise BadInput("--save-profile takes what one file is taken for; give one file")


def _says(told: Told, options: argparse.Namespace) -> bool:
    """Whether more is told than what a plain log takes: a zone, a map, cabin and unit."""
    return told != Told(
        zone=told.zone, cabin=told.cabin, unit=told.unit, columns=told.columns, whole_map=told.whole_map
    ) or bool(options.column)


def _look_only(
    options: argparse.Namespace, told: Told, now: datetime, store: Access | None = None
) -> int:
    """Say what files are taken for; 2 where something must be told before they can be loaded."""
    needs = False
    for path in options.files:
        found = look(path, told, now)
        print_look(path, found)
        needs = needs or bool(found.needs)
        if store is not None and options.save_profile:
            _save(store, path, options.save_profile, found)
    return 2 if needs else 0


def _save(store: Access, path: Path, name: str, found: Look) -> None:
    open_of_look(path, found)
    said = store.act("save-profile", {"name": name, "profile": found.settled.body()})
    print(f"profile {said['name']}: saved" + (", in the place of an earlier one" if said["replaced"] else ""))


def chunks_of(path: Path, options: argparse.Namespace, told: Told, store: Access) -> Iterator[Chunk]:
    now = store.now()
    if path.suffix.lower() in SENML:
        return read_senml_lines(path, now=now, cabin=options.cabin, unit=options.unit)
    plain = not (options.profile or options.save_profile or _says(told, options))
    if plain and is_plain(path, mapping := column_map(options.columns) if options.columns else {}):
        return read_csv(
            path, now=now, mapping=mapping, tz=zone(told.zone) if told.zone else None, cabin=options.cabin,
            unit=options.unit)
    found = look(path, told, now)
    open_of_look(path, found)
    if options.save_profile:
        _save(store, path, options.save_profile, found)
    return rows_of(path, found.settled, found.shape, now)


def _take(store: Access, settings: Settings, rows: pd.DataFrame, body: dict[str, Any]) -> dict[str, Any]:
    """Have rows taken in, whole, once; where the disk has no room for them, as soon as it has."""
    name, told = f"{uuid.uuid4().hex}.parquet", False
    spool = settings.spool / name
    try:
        while True:
            try:
                if lacks := room.lacking(settings):  # a collector may go by another floor
                    raise NoRoom(lacks)
                if not spool.exists():
                    rows.to_parquet(spool, index=False)
                return store.act("rows", {**body, "file": name})
            except (NoRoom, OSError) as error:
                spool.unlink(missing_ok=True)
                if isinstance(error, OSError) and not could_not_write(error):
                    raise
                if not told:
                    print(f"tarnlight load: {error}: waiting until there is room. Ctrl-C ends it; what was taken "
                          "in stays, and loading the file once more takes nothing twice.", file=sys.stderr)
                told = True
            time.sleep(ROOM_S)
    finally:
        spool.unlink(missing_ok=True)


def load_one(store: Access, path: Path, settings: Settings, chunks: Iterator[Chunk]) -> bool:
    """Take in a file and say what came of it; False where every row of it was refused."""
    private_files.make_folder(settings.spool)
    read = kept = already = refused = 0
    shown: list[dict[Hashable, Any]] = []
    known = {(cabin, unit) for cabin, unit in store.ask("SELECT cabin, slug FROM unit").itertuples(index=False)}
    names = load_names(store)
    with progress_bar() as bar:
        task = bar.add_task(path.name, total=path.stat().st_size)
        for chunk in chunks:
            rows, stray = _enrolled(by_present_name(chunk.rows, names), known, names)
            lost = pd.concat([chunk.refused, stray], ignore_index=True)
            problems = lost.to_dict("records")
            told = _take(store, settings, rows, {"source": path.name, "refused": problems, "last": False})
            read += chunk.read
            kept += told["kept"] + told["filled"]
            already += told["already"]
            refused += int(lost["times"].sum())
            shown += problems[: SHOWN - len(shown)]
            bar.update(task, completed=chunk.bytes_done, total=path.stat().st_size)
        bar.update(task, description=f"{path.name}: working out doses and intervals", completed=0, total=None)
        store.act("evaluate", {})
        bar.update(task, description=path.name, completed=1, total=1)
    print(f"{path}: {read} rows read, {kept} kept, {already} already there, {refused} refused")
    for one in shown:
        times = f" ({one['times']:,} times)" if one["times"] > 1 else ""
        print(f"  line {one['line']}: {one['reason']}{times}")
    told = sum(one["times"] for one in shown)
    if refused > told:
        print(f"  ... and {refused - told} more; all lie in quarantine")
    if refused and not kept + already:
        print(f"tarnlight load: {path}: every row was refused; nothing of it was taken. `--look` says what "
              "the file is taken for", file=sys.stderr)
        return False
    return True


def by_present_name(rows: pd.DataFrame, names: Names) -> pd.DataFrame:
    """Rows under a unit's former name as that unit's."""
    former = names.units()
    pairs = rows[["cabin", "unit"]].drop_duplicates().itertuples(index=False, name=None)
    out = rows
    for was in [pair for pair in pairs if pair in former]:
        mine = (rows["cabin"] == was[0]) & (rows["unit"] == was[1])
        cabin, unit = former[was]
        out = out.assign(cabin=out["cabin"].mask(mine, cabin), unit=out["unit"].mask(mine, unit))
    return out


def _enrolled(
    rows: pd.DataFrame, known: set[tuple[Any, Any]], names: Names
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of units that are enrolled, and the others as refused."""
    pairs = rows[["cabin", "unit"]].drop_duplicates()
    strays = pairs[[pair not in known for pair in pairs.itertuples(index=False, name=None)]]
    if strays.empty:
        return rows, pd.DataFrame(columns=["line", "payload", "reason", "times"])
    stray = rows.merge(strays.assign(stray=True), on=["cabin", "unit"], how="left")["stray"].notna().to_numpy()
    lost = rows[stray]
    return rows[~stray], pd.DataFrame({
        "line": lost.index,
        "payload": [json.dumps(one, default=str) for one in lost.to_dict("records")],
        "reason": [names.why_not_taken((cabin, unit)) or f"unit {unit!r} of cabin {cabin!r} is not enrolled"
                   for cabin, unit in zip(lost["cabin"], lost["unit"], strict=True)],
        "times": 1,
    })
