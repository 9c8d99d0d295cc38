"""Every calculator there is; a new one is a line here and an entry in its family."""

from service.api.calculators.fermentation import FERMENTATION_CALCULATORS
from service.api.calculators.gravity import GRAVITY_CALCULATORS
from service.api.calculators.gravity_batch import BATCH_CALCULATORS
from service.api.calculators.pooling_differences import POOLING_DIFFERENCES_CALCULATORS
from service.api.calculators.pooling_pairs import POOLING_PAIRS_CALCULATORS
from service.api.calculators.pooling_trials import POOLING_TRIALS_CALCULATORS
from service.api.calculators.proofing import PROOFING_CALCULATORS
from service.api.calculators.proofing_parts import PARTS_CALCULATORS
from service.api.calculators.registry import Calculator
from service.api.calculators.serving import SERVING_CALCULATORS
from service.api.calculators.spirit_run import SPIRIT_RUN_CALCULATORS
from service.api.calculators.tasting import TASTING_CALCULATORS
from service.api.calculators.trial import TRIAL_CALCULATORS
from service.api.calculators.trial_planning import PLANNING_CALCULATORS
from service.api.calculators.trial_words import WORD_CALCULATORS

CALCULATORS: tuple[Calculator, ...] = (
    *GRAVITY_CALCULATORS,
    *BATCH_CALCULATORS,
    *FERMENTATION_CALCULATORS,
    *PROOFING_CALCULATORS,
    *PARTS_CALCULATORS,
    *SPIRIT_RUN_CALCULATORS,
    *TASTING_CALCULATORS,
    *SERVING_CALCULATORS,
    *TRIAL_CALCULATORS,
    *PLANNING_CALCULATORS,
    *WORD_CALCULATORS,
    *POOLING_TRIALS_CALCULATORS,
    *POOLING_DIFFERENCES_CALCULATORS,
    *POOLING_PAIRS_CALCULATORS,
)
