"""Whom there is to tell now, and in which languages."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import duckdb

from ingest.language.catalogue import translations
from ingest.notification.stays import with_guests
from models.advisory.call_order import Due, Told, Translations, first_tellings
from models.advisory.notices_due import NoticeDue
from models.fleet import Contact, Fleet


@dataclass(frozen=True, slots=True)
class Audience:
    """The registry's contacts and the guests who are there, with the catalogues of their languages."""

    contacts: tuple[Contact, ...]
    translations: Translations

    def first(self, notice_due: NoticeDue, told: list[Told], now: datetime) -> tuple[Due, ...]:
        """The first messages of an event."""
        return first_tellings(notice_due, self.contacts, told=told, now=now, translations=self.translations)


def audience(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> Audience:
    """Everybody who may be told now."""
    contacts = with_guests(con, fleet, now)
    spoken = {one.language for one in contacts} | {one.language for one in fleet.cabins}
    return Audience(contacts, translations(spoken))
