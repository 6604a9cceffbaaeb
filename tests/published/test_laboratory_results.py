"""What health authorities say of a private well's sample, held against what the program makes of it.

Sources, as quoted in SOURCES.md section 14 (each seen in a copy of the authority's page): Leeds, Grenville and
Lanark District Health Unit and Durham Region Health Department, both Ontario; Newfoundland and Labrador's public
health laboratory. Counts per 100 mL.
"""

from __future__ import annotations

import pytest

from models.advisory.laboratory import LaboratoryPolicy, LaboratoryResult, Outcome

UNSAFE, AGAIN, FINE = Outcome.UNSATISFACTORY, Outcome.SAMPLE_AGAIN, Outcome.SATISFACTORY
TABLE = [  # total coliforms, E. coli, what the source says, source
    (0, 0, FINE, "Durham: 0 and 0 safe"),
    (1, 0, AGAIN, "Durham: 1 to 5, evidence of contamination, look further"),
    (5, 0, AGAIN, "Durham: 1 to 5, evidence of contamination, look further"),
    (6, 0, UNSAFE, "Leeds, Grenville and Lanark; Durham: 6 or more unsafe unless boiled"),
    (80, 0, UNSAFE, "Durham: 6 or more unsafe unless boiled"),
    (1, 1, UNSAFE, "both: E. coli 1 or more unsafe unless boiled"),
    (30, 12, UNSAFE, "both: E. coli 1 or more unsafe unless boiled"),
    ("est", 0, UNSAFE, "Leeds, Grenville and Lanark: est unsafe unless boiled"),
    ("o/g", 0, UNSAFE, "Leeds, Grenville and Lanark: overgrown (o/g) unsafe unless boiled"),
    ("overgrown", "overgrown", UNSAFE, "Newfoundland: overgrown, sample again; the stricter counts"),
]


@pytest.mark.parametrize(("coliforms", "e_coli", "means", "source"), TABLE)
def test_a_result_means_what_the_authorities_say(coliforms, e_coli, means, source):
    result = LaboratoryResult(e_coli=e_coli, total_coliforms=coliforms)
    assert LaboratoryPolicy().outcome(result) is means, source
