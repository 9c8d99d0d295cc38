"""Every calculator there is; a new one is a line here and an entry in its family."""

from service.api.calculators.gravity import GRAVITY_CALCULATORS
from service.api.calculators.proofing import PROOFING_CALCULATORS
from service.api.calculators.registry import Calculator
from service.api.calculators.trial import TRIAL_CALCULATORS

CALCULATORS: tuple[Calculator, ...] = (*TRIAL_CALCULATORS, *GRAVITY_CALCULATORS, *PROOFING_CALCULATORS)
