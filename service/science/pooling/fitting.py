"""Mixtures fitted: the maximum and the ends of its profile intervals, for one mixture or many alike."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.pooling.maximum import Top, highest
from service.science.pooling.mixture import Mixture
from service.science.pooling.profile import End, MeanEnd, mean_end, tau_end
from service.science.pooling.together import Search, run, run_together

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeanFit:
    """A maximum and both ends of its mean; `met` as in `MeanEnd`, for the lower and the upper end."""

    top: Top
    low: End
    high: End
    met: tuple[FloatArray | None, FloatArray | None]


@dataclass(frozen=True, slots=True)
class Fit:
    """A maximum, both ends of its mean, and both of tau."""

    mean: MeanFit
    tau_low: End
    tau_high: End


def fit(mixture: Mixture, fall: float) -> Fit:
    """Find the maximum and both ends of the headline mean and of tau.

    Parameters
    ----------
    mixture : Mixture
        The likelihood.
    fall : float
        How far the log-likelihood falls from the top to the ends.

    """
    top = run(mixture, highest(mixture))
    level = top.log_likelihood - fall
    low, high, tau_low, tau_high = run_together(
        [
            (mixture, mean_end(mixture, top, level, -1)),
            (mixture, mean_end(mixture, top, level, 1)),
            (mixture, _as_mean_end(tau_end(mixture, top, level, -1))),
            (mixture, _as_mean_end(tau_end(mixture, top, level, 1))),
        ]
    )
    return Fit(MeanFit(top, low.end, high.end, (low.met, high.met)), tau_low.end, tau_high.end)


def _as_mean_end(search: Search[End]) -> Search[MeanEnd]:
    return MeanEnd((yield from search), None)


def refit_means(mixtures: Sequence[Mixture], near: MeanFit, fall: float) -> list[MeanFit]:
    """Find maximum and ends of the mean for mixtures little different from one that was fitted.

    Parameters
    ----------
    mixtures : sequence of Mixture
        Made from the fitted one by `without`.
    near : MeanFit
        Of the fitted one.
    fall : float
        As in `fit`.

    """
    return run_together([(mixture, _refit(mixture, near, fall)) for mixture in mixtures])


def _refit(mixture: Mixture, near: MeanFit, fall: float) -> Search[MeanFit]:
    """Start where the other fit ended."""
    top = yield from highest(mixture, near.top)
    level = top.log_likelihood - fall
    low = yield from mean_end(mixture, top, level, -1, MeanEnd(near.low, near.met[0]))
    high = yield from mean_end(mixture, top, level, 1, MeanEnd(near.high, near.met[1]))
    return MeanFit(top, low.end, high.end, (low.met, high.met))
