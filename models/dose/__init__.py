"""What dose did the water get?

From the reactor's geometry or its validated equation, a reading of intensity, flow and transmittance becomes a
dose: a best estimate, a lower bound by which decisions go, and the reasons where it cannot be told. `columns` does
so for whole columns of many units (`assess`), by `kernel` and a table of it (`lookup`); `reactor` is the exact
model that both stand for, on `optics` (infinite lamp), `finite_lamp` and `hydraulics`; `mixing` fits tanks and tie
to the reactor's test; `bound` holds the stated uncertainties. `explain` shows one reading by hand, `credit` turns a
dose into log credit and shares in specification, `sizing` asks the other way round (most flow, least intensity),
`tested_range` says where a reactor was not tested, `sensor_checks` what a check of the duty sensor divides doses
by, `sensor_trust` whether that sensor is to be trusted at all. `collimated_beam` and `validation_factor` are how
the laboratory's figures came about.
"""

from models.dose.columns import Assessment, assess
from models.dose.credit import log_credit, share_in_specification
from models.dose.explain import explain
from models.dose.kernel import DOSE_REASONS, EXPLANATIONS, DoseReason
from models.dose.reactor import Explained, Explanation, Geometric, Validated, explained, model_of
from models.dose.sensor_checks import sensor_check, sensor_due, sensor_stretches
from models.dose.sizing import least_intensity_w_m2, least_uvt_pct, most_flow_l_min, new_lamp_intensity_w_m2
from models.dose.tested_range import outside_tested
from models.shortfall import Organism

__all__ = [
    "DOSE_REASONS",
    "EXPLANATIONS",
    "Assessment",
    "DoseReason",
    "Explained",
    "Explanation",
    "Geometric",
    "Organism",
    "Validated",
    "assess",
    "explain",
    "explained",
    "least_intensity_w_m2",
    "least_uvt_pct",
    "log_credit",
    "model_of",
    "most_flow_l_min",
    "new_lamp_intensity_w_m2",
    "outside_tested",
    "sensor_check",
    "sensor_due",
    "sensor_stretches",
    "share_in_specification",
]
