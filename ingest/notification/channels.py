"""Channels: names in the registry, addresses in secrets, messages out through them.

A contact's `channels` are names. The address of one (it may hold a password) comes from the environment,
`TARNLIGHT_CHANNEL_<NAME>`, or from the TOML file that the setting `channels_file` names, which only its owner may
read. It is resolved at each try, kept nowhere, and struck out of whatever is said about a failure.
"""

from __future__ import annotations

import logging
import re
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from urllib.parse import quote, unquote, urlsplit

from ingest.settings import BadInput, Settings

logger = logging.getLogger(__name__)

NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
STRUCK = "***"
GUEST = "{to}"  # where the address of a stay's guests goes
LONGEST_ERROR = 300
LIBRARY = logging.getLogger("apprise")
_LISTENS: ContextVar[object] = ContextVar("listens", default=None)  # goes along into the library's own threads


def keep_library_quiet() -> None:
    """Let no log line of the libraries that see an address reach ours; failures are told by `send`, struck out."""
    LIBRARY.propagate = False
    if not LIBRARY.handlers:
        LIBRARY.addHandler(logging.NullHandler())  # else Python prints warnings of a logger without any
    logging.getLogger("urllib3").setLevel(logging.CRITICAL)  # names paths, which hold tokens


def address(settings: Settings, name: str) -> str:
    """The address behind a name.

    Raises
    ------
    BadInput
        If there is none, or others than its owner can read the file that holds it. Never says the address.
    """
    if not NAME.fullmatch(name):
        raise BadInput(f"a channel's name is letters, digits, '_' and '-', first a letter; got {name!r}")
    found = settings.channel_address(name) or channels_of_file(settings).get(name, "")
    if not found:
        raise BadInput(
            f"channel {name!r} has no address: set TARNLIGHT_CHANNEL_{name.upper().replace('-', '_')} for the "
            "collector, or add it to the file that channels_file names")
    return found


def server_of(settings: Settings, name: str) -> str:
    """What tells one server from another: host and port of a channel's address, never to be shown or logged.

    Empty where there is no address. Where a service has no host of its own, what stands in its place.
    """
    try:
        return urlsplit(address(settings, name)).netloc.rpartition("@")[2].lower()
    except (BadInput, ValueError):  # what is no address is said when it is tried
        return ""


def channels_of_file(settings: Settings) -> dict[str, str]:
    """Names and addresses of the file of secrets; empty where the settings name none.

    Raises
    ------
    BadInput
        If it cannot be read, is open to others, or holds anything but `NAME = "address"`. Quotes none of it.
    """
    if not settings.channels_file:
        return {}
    path = Path(settings.channels_file).expanduser()
    try:
        mode = path.stat().st_mode & 0o777
        if mode & 0o077:
            raise BadInput(f"channels_file {path} may be read by others (mode {mode:o}): chmod 600 {path}")
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(f"channels_file {path} cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        where = re.search(r"\(at line \d+, column \d+\)|\(at end of document\)", str(error))
        raise BadInput(f"channels_file {path} is no TOML {where[0] if where else ''}".rstrip()) from None
    wrong = [name for name, one in found.items() if not isinstance(one, str) or not NAME.fullmatch(name)]
    if wrong:
        what = repr(wrong[0]) if NAME.fullmatch(wrong[0]) else "an entry"  # which might be an address
        raise BadInput(f'channels_file {path}: {what} must be NAME = "address"')
    return found


def send(settings: Settings, name: str, *, title: str, body: str, to: str = "") -> str:
    """Send one message over one channel; why it could not be delivered, empty where it was.

    `to` is the address of a stay's guests, which takes the place of `{to}` in the channel's own.

    Takes as long as the channel takes; call it outside of any transaction.
    """
    try:
        secret = address(settings, name)
        if to:
            secret = _with_guest(secret, name, to)
    except BadInput as error:
        return str(error)
    try:
        return _send(secret, name, title, body)
    except Exception as error:  # outermost: a channel is another's code, and its text may hold the address
        return struck(f"{type(error).__name__}: {error}", secret)


def _with_guest(secret: str, name: str, to: str) -> str:
    """The channel's address with that of guests in it, in which no character means anything to the channel."""
    if GUEST not in secret:
        raise BadInput(f"the address of channel {name!r} must hold {GUEST} where the guests' own goes")
    return secret.replace(GUEST, quote(to, safe="@"))


def _send(secret: str, name: str, title: str, body: str) -> str:
    import apprise  # here: it takes a good part of a second, and only who sends needs it

    asset = apprise.AppriseAsset(storage_mode=apprise.PersistentStoreMode.MEMORY, secure_logging=True)
    notifier = apprise.Apprise(asset=asset)
    with _listening() as said:
        known = notifier.add(secret)
        sent = known and bool(notifier.notify(title=title, body=body, body_format=apprise.NotifyFormat.TEXT))
    if sent:
        return ""
    if not known:
        return f"the address of channel {name!r} is of no kind that can be sent to"
    why = "; ".join(dict.fromkeys(said))
    return struck(why or "the channel did not take it and gave no reason", secret)


@contextmanager
def _listening() -> Iterator[list[str]]:
    """Why nothing was delivered, in the library's own words: of this message alone, since those of another hold the
    address of another channel, which would not be struck out."""
    said: list[str] = []

    class Heard(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            text = record.getMessage()
            if _LISTENS.get() is said and (record.levelno >= logging.WARNING or "Exception" in text):
                said.extend(text.splitlines())

    handler, before = Heard(logging.DEBUG), _LISTENS.set(said)
    keep_library_quiet()
    LIBRARY.setLevel(logging.DEBUG)  # what the reason is, it says there; it goes nowhere else
    LIBRARY.addHandler(handler)
    try:
        yield said
    finally:
        LIBRARY.removeHandler(handler)
        _LISTENS.reset(before)


def struck(text: str, secret: str) -> str:
    """A text without the address or any part of it, and not longer than a line or two."""
    parts = {secret, unquote(secret)}
    for whole in (secret, unquote(secret)):
        parts |= set(re.split(r"[/:@?&=,; ]+", whole))
        parts |= set(re.split(r"\W+", whole))
    for part in sorted(parts, key=len, reverse=True):
        if len(part) >= 3:
            text = re.sub(re.escape(part), STRUCK, text, flags=re.IGNORECASE)
    return text[:LONGEST_ERROR]


def trouble(settings: Settings) -> str:
    """What is wrong with the file of secrets; empty where nothing is."""
    try:
        channels_of_file(settings)
    except BadInput as error:
        return str(error)
    return ""
