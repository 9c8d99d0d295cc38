from service.intake.protocol_check import Checked

_DISTILLING = (
    "Distilling at home is unlawful in many places: follow local law, licences and fire codes.",
    "Alcohol vapour ignites and hot wash burns; follow licensed practice.",
    "Concentrated spirit and the first fractions are not for drinking.",
    "Methanol risk depends on the feedstock, and taste cannot judge it.",
)
_TASTING = "Tasting is drinking: pour little, spit, spread it over days, and don't drive."
_PRESSURE = "Sealed vessels burst: bottle only what has finished, in what is made for pressure."


def cautions_for(checked: Checked) -> list[str]:
    """Return what can hurt someone in what this document plans or reports."""
    document = checked.document
    distilled = checked.question.stage == "distil" or any(batch.spirit is not None for batch in document.batches)
    packaged = any(batch.package is not None for batch in document.batches)
    tasted = bool(document.trials) or checked.protocol.trial is not None
    return [
        *(_DISTILLING if distilled else ()),
        *([_PRESSURE] if packaged else []),
        *([_TASTING] if tasted else []),
    ]
