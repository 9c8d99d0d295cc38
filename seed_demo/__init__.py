"""An invented community, to look at the service with: three questions, 30 households, 45 replications.

Everything in here is invented: the households, what they did, and what came out. `truth` states the effects,
`community` draws what such households would have sent from one seeded generator, and `load` sends it through the front
door, on a clock that runs through the community's own years. No figure is written by hand.
"""
