"""Quantiles against SciPy."""

import math

import pytest
import scipy

from sagline_analyser.findings.readings.chance import student


@pytest.mark.parametrize("freedom", [0.7, 1, 2, 3, 5, 9, 23, 40, 1000])
@pytest.mark.parametrize("probability", [0.05, 0.5, 0.6, 0.9, 0.95, 0.998, 0.99999])
def test_the_quantile_is_students(freedom, probability):
    # Source: SciPy.
    assert student(probability, freedom) == pytest.approx(
        scipy.stats.t.ppf(probability, freedom), rel=1e-9, abs=1e-9
    )


def test_the_quantile_of_one_degree_of_freedom_is_a_tangent():
    # Closed form: Student's t with one degree of freedom is Cauchy's distribution.
    assert student(0.95, 1) == pytest.approx(math.tan(0.45 * math.pi), rel=1e-12)


@pytest.mark.parametrize(("probability", "freedom"), [(0.0, 5), (1.0, 5), (0.9, 0)])
def test_what_has_no_quantile_gives_none(probability, freedom):
    assert math.isnan(student(probability, freedom))
