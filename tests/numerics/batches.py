"""The inference of many studies of one plan, in the form in which ``reml.contrast`` gives that of one."""

import numpy as np

from doe.numerics.precision import precision
from doe.numerics.reml import Contrasts


def batch_contrasts(fit, rows):
    """Return estimates, standard errors and degrees of freedom of linear functions, each of shape (R, m)."""
    found = precision(fit.plan, fit.ratios, rows)
    estimates = fit.estimates @ np.atleast_2d(np.asarray(rows, dtype=float)).T
    return Contrasts(estimates, np.sqrt(fit.residual_variances[:, None] * found.adjusted), found.dof)
