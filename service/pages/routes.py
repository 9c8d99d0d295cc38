"""Every page, in the order in which addresses are tried."""

from service.pages import assets, calculators, guides, questions, replications

ROUTERS = (
    questions.router,
    replications.router,
    calculators.router,
    guides.router,
    assets.router,
)
