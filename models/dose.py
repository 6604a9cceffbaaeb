"""The dose that a unit gives: what other parts call.

`assess` for whole columns (models/assessment.py). `Geometric` and `Validated` are the two models that it
may rest on (models/dose_model.py), `explained` their dose under each explanation of a reading.
"""

from models.assessment import Assessment, assess
from models.dose_block import EXPLANATIONS, REASONS, Reason
from models.dose_model import Explained, Explanation, Geometric, Validated, explained, model_of

__all__ = [
    "EXPLANATIONS", "REASONS", "Assessment", "Explained", "Explanation", "Geometric", "Reason", "Validated",
    "assess", "explained", "model_of",
]
