"""Quantiles of chance that more than one finding needs, without a library of statistics."""

import math
from functools import lru_cache

TINY = 1e-300

CLOSE = 1e-14


@lru_cache(maxsize=1024)
def student(probability: float, freedom: float) -> float:
    """Return the quantile of Student's t with ``freedom`` degrees of freedom (above 0).

    P(|T| > t) is the regularised incomplete beta function I_x(ν/2, ½) at x = ν/(ν + t²)
    (Abramowitz & Stegun 26.7.1, from memory); t is found by halving, ``probability`` in 0 … 1.
    """
    if not 0 < probability < 1 or freedom <= 0:
        return math.nan
    if probability < 0.5:
        return -student(1 - probability, freedom)
    beyond = 2 * (1 - probability)
    low, high = 0.0, 1.0
    while student_beyond(high, freedom) > beyond:
        low, high = high, 2 * high
    while high - low > CLOSE * high:
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if student_beyond(middle, freedom) > beyond else (low, middle)
    return (low + high) / 2


def student_beyond(t: float, freedom: float) -> float:
    """Return P(|T| > t), the two-sided p of Student's t with ``freedom`` degrees of freedom."""
    return _beta_share(freedom / (freedom + t * t), freedom / 2, 0.5)


def _beta_share(x: float, a: float, b: float) -> float:
    """Return I_x(a, b) by its continued fraction (Abramowitz & Stegun 26.5.8, from memory),
    evaluated by Lentz's method, on the side on which it converges fast."""
    if x <= 0 or x >= 1:
        return float(x >= 1)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    if x > (a + 1) / (a + b + 2):
        return 1 - front * _fraction(1 - x, b, a) / b
    return front * _fraction(x, a, b) / a


def _fraction(x: float, a: float, b: float) -> float:
    c, d = 1.0, 1 / _away(1 - (a + b) * x / (a + 1))
    result = d
    for m in range(1, 1000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 / _away(1 + term * d)
            c = _away(1 + term / c)
            result *= c * d
        if abs(c * d - 1) < CLOSE:
            break
    return result


def _away(value: float) -> float:
    """Keep a divisor away from 0."""
    return value if abs(value) > TINY else TINY
