"""What to do at the taps once a notice is lifted, against the published lists (SOURCES.md section 6)."""

import pytest

from models.advisory.notice import AFTER_LIFTING

# US CDC, boil water advisory page (copy seen, S47), and a utility's advice for hot taps (seen, S48).
STEPS = [
    ("cold taps at least 5 minutes (S47)", ["cold tap", "5 minutes"]),
    ("coolers with a direct line 5 minutes (S47)", ["coolers"]),
    ("ice maker: discard, then make and discard 3 batches (S47)", ["ice", "3 batches"]),
    ("softener: one regeneration cycle (S47)", ["softener once"]),
    ("water heater set below 113 F (45 C): drain and refill (S47)", ["heater", "45 C", "Drain and refill"]),
    ("filters: replace cartridges (S47)", ["Replace filter cartridges"]),
    ("hot taps 15 min, 30 min above 40 gal, about 150 L (S48)", ["hot taps", "15 minutes", "30", "150 L"]),
    ("aerators: clean (S48)", ["aerators"]),
    ("dishwasher: hottest cycle empty, once (S48)", ["dishwasher once, empty", "hottest"]),
]


@pytest.mark.parametrize(("source", "words"), STEPS, ids=[source for source, _ in STEPS])
def test_every_published_step_after_lifting_is_told_in_one_line(source, words):
    assert any(all(word in line for word in words) for line in AFTER_LIFTING), source
