"""Every page, in the order in which addresses are tried."""

from service.pages import assets, guides, questions, replications

ROUTERS = (
    questions.router,
    replications.router,
    guides.router,
    assets.router,
)
