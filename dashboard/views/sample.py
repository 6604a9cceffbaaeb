"""Fields for what a laboratory found, and what a record of it came to: shared by the forms that take samples."""

from __future__ import annotations

import json
import uuid
from typing import Any

import streamlit as st

from dashboard.text import markup

NONCE = "form-nonce"  # key in the session


def sample_fields(of: str) -> dict[str, str]:
    """What the laboratory found, as a record takes it; to be drawn within a form. Empty fields are left out."""
    with st.container(horizontal=True):
        counts = {
            "e_coli": st.text_input("E. coli per 100 mL", key=f"e-coli-{of}", max_chars=20),
            "total_coliforms": st.text_input("Total coliforms per 100 mL", key=f"coliforms-{of}", max_chars=20)}
    st.html(markup.small("As the report has it: a number, est or overgrown; empty where it was not tested."))
    with st.container(horizontal=True):
        lab = {
            "lab": st.text_input("Laboratory", key=f"lab-{of}", max_chars=120),
            "lab_number": st.text_input("Sample number", key=f"lab-number-{of}", max_chars=60)}
    return {name: text.strip() for name, text in {**counts, **lab}.items() if text.strip()}


def once(body: dict[str, Any]) -> dict[str, Any]:
    """The record with a number of its own, so that a button pressed twice in this session sends one record."""
    nonce = st.session_state.setdefault(NONCE, uuid.uuid4().hex)
    return {**body, "id": str(uuid.uuid5(uuid.NAMESPACE_OID, nonce + json.dumps(body, sort_keys=True)))}


def came_to(told: dict[str, Any]) -> list[str]:
    """What a record came to, in sentences: what a result means, and what it did to an advisory."""
    if told.get("already"):
        return ["It was recorded before; nothing was stored twice."]
    found = told.get("laboratory")
    lines = [] if not found else [found["words"], *([f"{found['differs']}."] if found["differs"] else [])]
    return [*lines, *([f"Advisory: {told['advisory']}."] if told.get("advisory") else [])]
