"""DuckDB as this project uses it: one way to connect, to serve a store and to ask another process's store."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol, TypeVar, cast

import duckdb
import pandas as pd
from duckdb_extensions import import_extension

from ingest import private_files
from ingest.db.frames import frame
from ingest.settings import BadInput, CollectorHangs, StoreUnavailable

T = TypeVar("T")


ALIVE_WITHIN_S = 5.0  # a statement may take longer; who runs it must answer another one in that time
# Broker, page and loggers share the machine. With one thread a round of 1,000 units takes as long as with two, and
# a seventh less of the processor: what is asked is small.
THREADS = max(1, (os.cpu_count() or 1) // 2)
_ENVIRONMENT = threading.Lock()


def could_not_write(error: Exception) -> bool:
    """Whether it says that the store's file could not be written, rather than what was wrong with a statement."""
    if isinstance(error, OSError):
        return error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO)
    # a commit that fails for want of room is told as a fault of the transaction
    return isinstance(error, (duckdb.FatalException, duckdb.IOException)) or (
        isinstance(error, duckdb.Error) and "Could not write file" in str(error))


class Asks(Protocol):
    """Whatever answers SQL with a DataFrame: the file itself, or a collector that holds it."""

    def ask(self, sql: str, parameters: Mapping[str, Any] | None = None) -> pd.DataFrame:
        """The answer to one statement; parameters are `$name` in the SQL."""
        ...


def connect(path: Path | str = ":memory:") -> duckdb.DuckDBPyConnection:
    """A connection with this project's session: UTC, no Python variables as tables.

    Whatever the process writes from here on (store, WAL, what does not fit into memory) is for its owner alone.
    """
    private_files.keep_private()
    with _no_proxy():
        con = duckdb.connect(str(path), config={
            "autoinstall_known_extensions": "false", "autoload_known_extensions": "false",
            "memory_limit": "2GB", "threads": str(THREADS), "preserve_insertion_order": "true",
        })
    # GLOBAL, so that cursors have it too: a session of its own takes the machine's zone and Python variables again
    con.execute("SET GLOBAL TimeZone = 'UTC'; SET GLOBAL python_enable_replacements = false")
    return con


def _between_processes(con: duckdb.DuckDBPyConnection) -> None:
    """Load what serves a store and asks one that is served: a fifth of a second, so only where it is needed."""
    for extension in ("httpfs", "quack"):
        import_extension(extension)
    con.execute("LOAD httpfs; LOAD quack")
    # No statement is ever sent twice, for it may be a request. (`http_timeout` does nothing here: `Remote._answer`)
    con.execute("SET GLOBAL http_retries = 0")


@contextlib.contextmanager
def _no_proxy() -> Iterator[None]:
    """Without HTTP_PROXY: duckdb reads it once, on connecting, and would send what is for loopback to the proxy."""
    with _ENVIRONMENT:
        kept = {name: os.environ.pop(name) for name in ("HTTP_PROXY", "http_proxy") if name in os.environ}
        try:
            yield
        finally:
            os.environ.update(kept)


class Local:
    """The store's file, opened by this process."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.con = con

    def ask(self, sql: str, parameters: Mapping[str, Any] | None = None) -> pd.DataFrame:
        return frame(self.con.execute(sql, dict(parameters or {})))


class Remote:
    """A store that a running collector serves on loopback."""

    def __init__(self, address: str, token: str) -> None:
        self._address, self._token = address, token
        self._con = connect()
        with _no_proxy():
            _between_processes(self._con)

    def ask(self, sql: str, parameters: Mapping[str, Any] | None = None) -> pd.DataFrame:
        # The protocol carries a statement without parameters, so they are written into it, each as a
        # literal of its type (`literal` below); a cursor of its own lets threads ask side by side.
        # One pass over our own statement: what stands inside a value is never looked at again.
        given = dict(parameters or {})
        return self._answer(re.sub(r"\$([a-z_]+)", lambda match: literal(given[match[1]]), sql))

    def _answer(self, sql: str) -> pd.DataFrame:
        """The answer to a statement that is sent once; waited for while the collector lives, however long it takes.

        The client-server extension waits for ever and cannot be interrupted. So it waits in a thread, which is left
        to itself where the collector hangs; a process that ends does not wait for it.
        """
        answer = _Waited(lambda: self._send(sql))
        while not answer.there(ALIVE_WITHIN_S):
            if not (_Waited(lambda: self._send("SELECT 1")).there(ALIVE_WITHIN_S) or answer.there(0.0)):
                raise CollectorHangs("the collector does not answer: it has stopped, or hangs; restart it")
        return answer.get()

    def _send(self, sql: str) -> pd.DataFrame:
        try:
            with self._con.cursor() as cursor:
                return frame(cursor.execute(
                    "FROM quack_query($address, $sql, token = $token)",
                    {"address": self._address, "sql": sql, "token": self._token},
                ))
        except duckdb.IOException as error:
            raise StoreUnavailable(
                "the collector does not answer; start it with `tarnlight collect`"
            ) from error
        except duckdb.InvalidInputException as error:
            if "Authentication failed" in str(error):
                raise StoreUnavailable(
                    "the collector refused this process's token; was it restarted by another user?"
                ) from error
            raise


class _Waited:
    """What a call gives, which a thread waits for that nobody has to wait for."""

    def __init__(self, call: Callable[[], pd.DataFrame]) -> None:
        self._call = call
        self._done = threading.Event()
        self._got: pd.DataFrame | BaseException | None = None
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        try:
            self._got = self._call()
        except BaseException as error:  # whoever waits is told
            self._got = error
        self._done.set()

    def there(self, within_s: float) -> bool:
        """Whether it came, or failed, within so long."""
        return self._done.wait(within_s)

    def get(self) -> pd.DataFrame:
        """What came; raises what it failed with."""
        if isinstance(self._got, pd.DataFrame):
            return self._got
        raise self._got or AssertionError("it has not come")


def transaction(con: duckdb.DuckDBPyConnection, work: Callable[[], T]) -> T:
    """Run `work` in one transaction: whole, or not at all. Within a `trial` it is part of that."""
    if id(con) in _ON_TRIAL:
        return work()
    con.execute("BEGIN")
    try:
        out = work()
        con.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(duckdb.TransactionException):  # a COMMIT that failed has rolled back itself
            con.execute("ROLLBACK")
        raise
    return out


_ON_TRIAL: set[int] = set()  # connections within a `trial`


@contextlib.contextmanager
def trial(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Do something to see what comes of it: nothing that is done within is kept, whatever commits it."""
    con.execute("BEGIN")
    _ON_TRIAL.add(id(con))
    try:
        yield
    finally:
        _ON_TRIAL.discard(id(con))
        with contextlib.suppress(duckdb.TransactionException):  # what failed may have rolled back itself
            con.execute("ROLLBACK")


def named(found: pd.DataFrame) -> Iterable[Any]:
    """Rows of a small answer, each with its columns as attributes."""
    return found.itertuples(index=False)


def by_unit(found: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    """The rows of each unit."""
    return {cast(tuple[str, str], key): group for key, group in found.groupby(["cabin", "unit"], sort=False)}


def literal(value: Any) -> str:
    """A value as a SQL literal of its own type.

    Raises
    ------
    TypeError
        For any type but None, bool, int, float, str, aware datetime, and lists of these.
    """
    if value is None:
        return "NULL"
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        # bare digits would be a DECIMAL; float() because a numpy float shows its type
        return f"'{float(value)!r}'::DOUBLE"
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise TypeError(f"a time must be aware; got {value!r}")
        return f"TIMESTAMPTZ '{value.astimezone(UTC).isoformat()}'"
    if isinstance(value, str):
        if "\x00" in value:
            raise TypeError("a text must not hold a zero byte")
        return "'" + value.replace("'", "''") + "'"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(literal(one) for one in value) + "]"
    raise TypeError(f"no SQL literal for a {type(value).__name__}")


def quoted(name: str) -> str:
    """A name of a database or column as a SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def serve(con: duckdb.DuckDBPyConnection, *, port: int, token: str) -> None:
    """Serve the connection's database on loopback to whoever has the token."""
    with _no_proxy():
        _between_processes(con)
    try:
        con.execute("CALL quack_serve($address, token = $token)",
                    {"address": f"quack:localhost:{port}", "token": token})
    except duckdb.Error as error:
        raise BadInput(f"the store's server cannot listen on loopback port {port}: {error}") from error


def write_address(path: Path, *, port: int, token: str) -> None:
    """Leave address and token where only the file's owner can read them."""
    private_files.make_folder(path.parent)
    told = {"address": f"quack:localhost:{port}", "token": token, "pid": os.getpid()}
    private_files.write(path, json.dumps(told).encode())


def ring(path: Path) -> None:
    """Tell the collector that left its address here that a request waits: it looks at once."""
    now = time.time_ns()
    with contextlib.suppress(OSError):  # it has ended; or, unheard, it looks by itself soon
        os.utime(path, ns=(now, now))


def rung(path: Path) -> int:
    """When it was rung last; another value each time. 0: never."""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def read_address(path: Path) -> tuple[str, str] | None:
    """Address and token of a collector that said it is running; None where none did."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return found["address"], found["token"]
    except FileNotFoundError:
        return None
    except PermissionError as error:
        raise StoreUnavailable(f"{path} belongs to another user: only its owner may use this store") from error
    except (ValueError, KeyError, TypeError) as error:
        raise StoreUnavailable(f"{path} cannot be read ({error}); restart the collector") from error
