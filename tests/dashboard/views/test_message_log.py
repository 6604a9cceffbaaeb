"""How a message does, as the cabin's page says it."""

from __future__ import annotations

from datetime import UTC, datetime

import pandas as pd
import pytest

from dashboard.views.message_log import message_rows

AT = pd.Timestamp(datetime(2026, 11, 27, 7, tzinfo=UTC))


@pytest.mark.parametrize(("state", "error", "said"), [
    ("delivered", "", "delivered"),
    ("failing", "the server said no", "failing: the server said no; it is tried again"),
    ("overtaken", "the server said no", "not sent: worse was told since")])
def test_a_message_that_worse_overtook_is_not_said_to_be_tried_again(state, error, said):
    found = pd.DataFrame([{
        "due_at": AT, "contact": "Kim", "channel": "mail", "title": "The tap may be used", "state": state,
        "error": error}])
    assert message_rows(found, UTC)[0][-1] == said
