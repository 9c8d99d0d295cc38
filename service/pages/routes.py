"""Every page, in the order in which addresses are tried."""

from service.pages import (
    assets,
    calculators,
    guides,
    pour,
    questions,
    replications,
    sealed_trials,
    submitting,
    take_part,
    taste,
)

ROUTERS = (
    questions.router,
    replications.router,
    calculators.router,
    guides.router,
    take_part.router,
    submitting.router,
    sealed_trials.router,
    taste.router,
    pour.router,
    assets.router,
)
