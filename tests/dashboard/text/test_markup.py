"""What a page says of a form that was not taken: in the words of the form, and as text."""

from __future__ import annotations

import pytest

from dashboard.text import markup
from models.advisory.events import NotAllowed


@pytest.mark.parametrize(("why", "told"), [
    ("who must name the person who says so; got an empty name", "Give the name of the person who says so."),
    ("by must name the person who lifts it; the program never lifts by itself",
     "Give the name of the person who lifts it; the program never lifts by itself."),
    ("by must name the person who withdraws a record, and reason say why; got an empty one",
     "Give the name of the person who withdraws a record, and a reason."),
    ("flow-check is done with its figure only", "flow-check is done with its figure only."),
    ("degrees must be 0 to 100; got 400", "Degrees must be 0 to 100; got 400."),
    ("<b>bold</b> is no unit.", "&lt;b&gt;bold&lt;/b&gt; is no unit.")])
def test_a_refusal_speaks_of_a_name_and_not_of_a_field_of_a_request(why: str, told: str) -> None:
    found = markup.refused("Not recorded", NotAllowed(why))
    assert f"<p>{told}</p>" in found and "tl-box-alarm" in found
