"""The bulking factor over many batches, so that what one drill taught serves another.

Two stages, as in a meta-analysis: each batch gives the logarithm of its bulking factor with a standard
deviation (`climb.py`); a linear model over batches explains them by material, rim speed and diameter, with a
spread from batch to batch (stock, sharpness, moisture) integrated out on a grid. All priors are normal, so
each step is closed form. `statsmodels` has mixed models, but none for estimates whose errors are known, and
brings pandas; it serves as the outside check in tests/external.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from monitor.tuning.peck_curves import Curve

FACTOR_SD = 0.3
"""Prior of the effect of speed and of diameter: bulking changes by less than a third over a factor of e, two
times in three. Wide, no published source; where all batches had one speed, this is what is not known of
another."""

BETWEEN = np.array([0.01, 0.03, 0.06, 0.1, 0.15, 0.22, 0.32])
BETWEEN_SD = 0.12
"""Half-normal prior of the spread from batch to batch, in the logarithm (no published source)."""

MATERIAL_SD = 0.5
"""What the materials table is trusted with: bulking within a factor of 1.65, two times in three."""


@dataclass(frozen=True)
class BatchBulking:
    """What one batch says: logarithm of bulking, its standard deviation without any prior, and the
    covariates."""

    material: str
    rim_m_min: float
    diameter_mm: float
    log_bulking: float
    sd: float


@dataclass(frozen=True)
class BulkingModel:
    """Bulking by material, rim speed and diameter: normal posteriors, one for each spread between batches."""

    materials: tuple[str, ...]
    centre: tuple[float, float]  # logarithms of rim speed and diameter
    weights: Curve
    means: NDArray[np.float64]
    covariances: NDArray[np.float64]
    table: Mapping[str, float]

    @property
    def between(self) -> float:
        """Spread from batch to batch, standard deviation of the logarithm."""
        return float(np.sum(self.weights * BETWEEN))

    def predict(self, material: str, rim_m_min: float, diameter_mm: float) -> tuple[float, float]:
        """Logarithm of the bulking in a batch yet to be drilled, and its standard deviation.

        A material of which there is no evidence comes from the table, with `MATERIAL_SD`.
        """
        known = material in self.materials
        x = _row(self.materials, material, rim_m_min, diameter_mm, self.centre)
        means = self.means @ x + (0.0 if known else np.log(self.table[material]))
        variances = np.einsum("i,kij,j->k", x, self.covariances, x) + BETWEEN**2
        if not known:
            variances = variances + MATERIAL_SD**2
        mean = float(self.weights @ means)
        return mean, float(np.sqrt(self.weights @ (variances + (means - mean) ** 2)))


def fit_bulking(batches: Sequence[BatchBulking], table: Mapping[str, float]) -> BulkingModel:
    """Fit the model; ``table`` gives the usual bulking of every material. Without batches it is the table."""
    materials = tuple(sorted({batch.material for batch in batches}))
    rim = np.log([batch.rim_m_min for batch in batches]) if batches else np.zeros(1)
    diameter = np.log([batch.diameter_mm for batch in batches]) if batches else np.zeros(1)
    centre = (float(rim.mean()), float(diameter.mean()))
    k = len(materials) + 2
    rows = [_row(materials, b.material, b.rim_m_min, b.diameter_mm, centre) for b in batches]
    x = np.array(rows).reshape(len(batches), k)
    y = np.array([batch.log_bulking for batch in batches])
    variance = np.array([batch.sd**2 for batch in batches])
    prior_mean = np.array([np.log(table[material]) for material in materials] + [0.0, 0.0])
    prior_precision = np.diag([MATERIAL_SD**-2.0] * len(materials) + [FACTOR_SD**-2.0] * 2)
    means, covariances, evidence = [], [], []
    for between in BETWEEN:
        total = variance + between**2
        precision = prior_precision + (x.T / total) @ x
        covariance = np.linalg.inv(precision)
        mean = covariance @ (prior_precision @ prior_mean + (x.T / total) @ y)
        # Log evidence of a normal linear model, constants left out.
        off, away = y - x @ mean, mean - prior_mean
        quadratic = float(np.sum(off**2 / total) + away @ prior_precision @ away)
        log_det = float(np.sum(np.log(total)) + np.linalg.slogdet(precision)[1])
        evidence.append(-0.5 * (quadratic + log_det) - 0.5 * (between / BETWEEN_SD) ** 2)
        means.append(mean)
        covariances.append(covariance)
    widths = np.gradient(BETWEEN)  # the grid is uneven
    weights = np.asarray(evidence) + np.log(widths)
    weights = np.exp(weights - logsumexp(weights))
    return BulkingModel(materials, centre, weights, np.array(means), np.array(covariances), table)


def _row(
    materials: Sequence[str], material: str, rim_m_min: float, diameter_mm: float, centre: tuple[float, float]
) -> Curve:
    which = [float(material == known) for known in materials]
    return np.array([*which, np.log(rim_m_min) - centre[0], np.log(diameter_mm) - centre[1]])
