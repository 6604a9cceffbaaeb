"""From a validation test to the factor that its dose is divided by, as the guidance manual has it."""

from __future__ import annotations

import math

from models.fleet import require_number

# Above these the part counts, at or below them it drops out (guidance manual, from memory; SOURCES.md, 2).
SENSOR_COUNTS_ABOVE_PCT = 10.0
DOSE_RESPONSE_COUNTS_ABOVE_PCT = 30.0


def validation_uncertainty_pct(
    *, interpolation_pct: float, sensor_pct: float = 0.0, dose_response_pct: float = 0.0
) -> float:
    """U_val, the uncertainty of a validation.

    Parameters
    ----------
    interpolation_pct : float
        U_IN of a calculated-dose fit, or U_SP of an intensity set point, at 95 %. [%]
    sensor_pct, dose_response_pct : float
        U_S and U_DR; at most 10 % and at most 30 % drop out. [%]

    Returns
    -------
    uncertainty_pct : float
        Root of the sum of the squares of what counts. [%]

    Raises
    ------
    ValueError
        If one is negative or not finite.

    References
    ----------
    .. [1] US EPA, Ultraviolet Disinfection Guidance Manual, EPA 815-R-06-007, 2006, section 5.9 (from memory).
    """
    for name, value in (
        ("interpolation_pct", interpolation_pct), ("sensor_pct", sensor_pct),
        ("dose_response_pct", dose_response_pct),
    ):
        require_number(name, value, at_least=0)
    return math.hypot(
        interpolation_pct,
        sensor_pct if sensor_pct > SENSOR_COUNTS_ABOVE_PCT else 0.0,
        dose_response_pct if dose_response_pct > DOSE_RESPONSE_COUNTS_ABOVE_PCT else 0.0,
    )


def validation_factor(*, red_bias: float, uncertainty_pct: float, polychromatic_bias: float = 1.0) -> float:
    """VF = B_RED x B_poly x (1 + U_val/100), by which a RED is divided to the validated dose.

    Parameters
    ----------
    red_bias : float
        B_RED, at least 1: how much less sensitive the challenge organism is than the target; 1 if it's at least as
        sensitive. From the manual's tables. [-]
    uncertainty_pct : float
        U_val, see `validation_uncertainty_pct`. [%]
    polychromatic_bias : float
        B_poly, at least 1; 1 for a low-pressure lamp with a germicidal sensor. [-]

    Returns
    -------
    validation_factor : float
        At least 1; goes into a reactor's profile.

    Raises
    ------
    ValueError
        If a bias is below 1 or the uncertainty negative.

    References
    ----------
    .. [1] US EPA, Ultraviolet Disinfection Guidance Manual, EPA 815-R-06-007, 2006, section 5.9 (from memory).
    """
    require_number("red_bias", red_bias, at_least=1)
    require_number("polychromatic_bias", polychromatic_bias, at_least=1)
    require_number("uncertainty_pct", uncertainty_pct, at_least=0)
    return red_bias * polychromatic_bias * (1.0 + uncertainty_pct / 100.0)
