"""Reactor kinds that the tests of the dose share; the first is the example of README and fleet.toml."""

from dataclasses import replace

from models.fleet import CalculatedDose, Reactor, ValidationPoint

ANNULAR = Reactor(
    name="annular-40", chamber_inner_radius_cm=4.4, sleeve_outer_radius_cm=1.2, arc_length_cm=42.0, lamp_uvc_w=13.0,
    sleeve_transmittance=0.92, mixing_tanks=4, test_flow_l_min=30.0, test_uvt_pct=75.0, test_intensity_w_m2=41.0,
    test_red_mj_cm2=40.0, challenge_k_cm2_mj=0.115, alarm_intensity_w_m2=29.0,
)
# Its sensor a finger's breadth from the sleeve: cloudy water is then the worse explanation.
NEAR_SLEEVE = replace(ANNULAR, name="near-sleeve", sensor_radius_cm=1.6, test_intensity_w_m2=210.0)
# Between: a mixture of weak lamp and cloudy water can be worse than either.
BETWEEN = replace(ANNULAR, name="between", sensor_radius_cm=2.5, test_intensity_w_m2=120.0)
BLIND = replace(ANNULAR, name="blind", sensor_radius_cm=1.2, test_intensity_w_m2=350.0)
# A report's equation of the form in SOURCES.md, section 2; the coefficients are ours.
BY_EQUATION = replace(
    ANNULAR, name="by-equation", equation=CalculatedDose(a=2.4, b=-0.6, c=0.9, d=0.95), uvt_min_pct=70.0,
    uvt_max_pct=95.0, flow_max_l_min=40.0, validation_factor=1.2,
)
# Tested at four points, which six tanks with 0.95 of the geometry's dose give to the last tenth.
SEVERAL = replace(
    ANNULAR, name="several", uvt_min_pct=None, test_red_mj_cm2=33.3, test_red_uncertainty_pct=5.0, tests=(
        ValidationPoint(flow_l_min=10.0, uvt_pct=75.0, intensity_w_m2=41.0, red_mj_cm2=67.1),
        ValidationPoint(flow_l_min=30.0, uvt_pct=90.0, intensity_w_m2=74.0, red_mj_cm2=40.3, uncertainty_pct=8.0),
        ValidationPoint(flow_l_min=40.0, uvt_pct=65.0, intensity_w_m2=27.0, red_mj_cm2=23.9)))
EVERY_KIND = (ANNULAR, NEAR_SLEEVE, BETWEEN, BLIND, BY_EQUATION, SEVERAL)
