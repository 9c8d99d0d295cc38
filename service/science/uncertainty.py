"""First-order propagation of uncertainty (JCGM 100:2008, the GUM)."""

from service.science.checks import Numeric


def combined(*terms: Numeric) -> Numeric:
    """Combine independent contributions to one standard uncertainty: the root of the sum of their squares.

    Parameters
    ----------
    terms : float or ndarray
        Each the standard uncertainty of one source times the result's slope by it, of either sign, in the result's
        unit; at least one.

    References
    ----------
    JCGM 100:2008, section 5.1.2, equation 10, and 5.1.3.

    """
    variance: Numeric = 0.0
    for each in terms:
        variance = variance + each * each
    return variance**0.5
