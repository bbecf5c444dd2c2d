"""What is asked of a fit."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class FitRequest:
    """
    What is asked of a fit; by default the declared model, examined.

    Parameters
    ----------
    terms : sequence of str, optional
        Terms of another model; the result is then labelled exploratory.
    declared : collection of str, optional
        Covariates that were declared before the data (``amend.declared_before_data``); without it all that are to be fitted.
    examine : bool
        Whether the models of measured responses are examined: checks, whole factors, strata, printers, smaller models. It takes
        longer than the fit.
    """

    terms: Sequence[str] | None = None
    declared: Collection[str] | None = None
    examine: bool = True
