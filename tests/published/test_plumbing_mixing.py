"""Dispersion and mixing against textbook results, through a general statistics library.

- The outlet of a pipe with axial dispersion, as a flux concentration, is the distribution of first passages: an
  inverse Gaussian with mean 1 and variance 2 / Pe in pipe volumes. A. Kreft, A. Zuber, On the physical meaning of
  the dispersion equation and its solutions, Chemical Engineering Science 33, 1978, 1471-1480 (from memory).
- A stirred tank washes out as exp(-volumes): 1 % is left after ln 100 = 4.605 volumes, 0.1 % after ln 1000 = 6.908.
  O. Levenspiel, Chemical Reaction Engineering, 3rd ed. 1999, mixed flow (SOURCES.md, section 4, one tank).
"""

import numpy as np
import pytest
from scipy import integrate, stats

from models.advisory.plumbing import Plumbing, breakthrough, flush_cold_l, flush_hot_l, standing


@pytest.mark.parametrize("peclet", [0.5, 5.0, 50.0, 3000.0])
def test_dispersed_front_is_the_inverse_gaussian_of_first_passages(peclet):
    shape = peclet / 2
    passage = stats.invgauss(mu=1 / shape, scale=shape)
    volumes = np.array([0.01, 0.3, 0.7, 0.95, 1.0, 1.05, 1.5, 3.0, 10.0])
    ours = breakthrough(volumes * 18.0, Plumbing(cold_l=18.0, peclet=peclet))
    np.testing.assert_allclose(ours, passage.cdf(volumes), atol=1e-12)
    assert passage.mean() == pytest.approx(1) and passage.var() == pytest.approx(2 / peclet)  # as the paper has it


@pytest.mark.parametrize("replaced", [0.99, 0.999])
@pytest.mark.parametrize("peclet", [5.0, 50.0, 3000.0])
def test_cold_flush_is_the_quantile_of_first_passages(peclet, replaced):
    shape = peclet / 2
    volumes = stats.invgauss(mu=1 / shape, scale=shape).ppf(replaced)
    assert flush_cold_l(Plumbing(cold_l=18.0, peclet=peclet), replaced) == pytest.approx(18.0 * volumes, rel=1e-6)


@pytest.mark.parametrize(("replaced", "volumes"), [(0.99, 4.605), (0.999, 6.908)])
def test_stirred_tank_takes_the_textbook_number_of_volumes(replaced, volumes):
    assert flush_hot_l(Plumbing(cold_l=0.0, hot_tank_l=150.0), replaced) == pytest.approx(150 * volumes, rel=1e-4)


def test_tank_behind_a_dispersing_pipe_is_the_convolution_of_both():
    peclet, pipe_l, tank_l = 20.0, 18.0, 60.0
    passage = stats.invgauss(mu=2 / peclet, scale=peclet / 2 * pipe_l)
    for drawn_l in (10.0, 20.0, 60.0, 300.0):
        new, _ = integrate.quad(
            lambda x, v: passage.pdf(x) * -np.expm1(-(v - x) / tank_l), 0, drawn_l, args=(drawn_l,), limit=200
        )
        plumbing = Plumbing(cold_l=pipe_l, hot_tank_l=tank_l, peclet=peclet)
        ours = standing([drawn_l], 0.0, plumbing, hot_share=1.0).hot_tap[0]
        assert ours == pytest.approx(1 - new, abs=1e-4)


@pytest.mark.parametrize("peclet", [2.0, 50.0, 1000.0])
def test_water_that_stands_in_a_dispersing_pipe_is_what_has_not_passed_out(peclet):
    shape = peclet / 2
    passage = stats.invgauss(mu=1 / shape, scale=shape)
    for volumes in (0.3, 1.0, 2.0):
        stays, _ = integrate.quad(passage.sf, 0, volumes, limit=200)
        ours = standing([volumes * 18.0], 0.0, Plumbing(cold_l=18.0, peclet=peclet)).pipe_l[0]
        assert ours == pytest.approx(18.0 * (1 - stays), abs=1e-6)
