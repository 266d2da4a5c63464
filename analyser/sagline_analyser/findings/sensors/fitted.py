"""Least squares whose doubts allow for readings that are not independent of their neighbours."""

from dataclasses import dataclass

import numpy as np

from ..readings.series import Array

FEWEST = 10
"""Blocks into which rows are cut at the least."""


@dataclass(frozen=True)
class Fitted:
    """Coefficients (c,) and their covariance (c, c), in the columns' units; ``left`` is the mean
    squared residual."""

    values: Array
    covariance: Array
    left: float

    @property
    def errors(self) -> Array:
        """Return the standard error of each coefficient, shape (c,)."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 1e-300))

    def known(self, at: int, mean: float, error: float) -> "Fitted":
        """Return the fit with what is known beforehand of coefficient ``at``: ``mean`` ± ``error``
        (conditioning of a normal distribution)."""
        gain = self.covariance[:, at] / (self.covariance[at, at] + error**2)
        values = self.values + gain * (mean - self.values[at])
        return Fitted(values, self.covariance - np.outer(gain, self.covariance[at]), self.left)


def fitted(columns: list[Array], wanted: Array, blocks: int) -> Fitted:
    """Return the fit of ``wanted`` (n,) by ``columns``, each (n,), the first a constant.

    The covariance is the one that holds whatever the readings of one block have in common (K.-Y.
    Liang, S. L. Zeger, Biometrika 73, 1986), for ``blocks`` rows of equal length.
    """
    table = np.column_stack(columns)
    scale = np.maximum(np.abs(table).max(axis=0), 1e-12)
    table = table / scale
    bread = np.linalg.pinv(table.T @ table)
    found = bread @ (table.T @ wanted)
    residual = wanted - table @ found
    blocks = max(FEWEST, blocks)
    parts = np.array_split(np.arange(len(wanted)), blocks)
    pulls = np.array([table[part].T @ residual[part] for part in parts])
    spread = bread @ (pulls.T @ pulls) @ bread * blocks / (blocks - 1)
    spread *= (len(wanted) - 1) / max(len(wanted) - len(columns), 1)
    return Fitted(found / scale, spread / np.outer(scale, scale), float(np.mean(residual**2)))
