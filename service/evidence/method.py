"""How evidence is pooled, by a version that is echoed in every answer and stands in every ETag."""

METHOD_VERSION = "1"

SOURCES = (
    "Exact binomial and its convolution over test methods, for 'nobody can tell'",
    "Guessing-floor logit-normal model by maximum likelihood, profile intervals: Brockhoff & Christensen 2010, "
    "Food Qual. Prefer. 21:330; Trefethen & Weideman 2014, SIAM Rev. 56:385 (quadrature)",
    "Thurstonian psychometric functions: Ennis 1993, J. Sens. Stud. 8:353",
    "Random-effects mixture e-process: Ville 1939; Robbins 1970; ter Schure & Grünwald 2022, F1000Research 11:549",
    "Hedged betting interval: Waudby-Smith & Ramdas 2024, J. R. Stat. Soc. B 86:1",
    "Any-time t interval: Lai 1976, Ann. Stat. 4:265; Pérez-Ortiz, Lardy, de Heide & Grünwald 2024, Ann. Stat. "
    "(from memory; checked by simulation)",
    "Where instruments differ by more than 3 in SD, restricted maximum likelihood with their variances, modified "
    "Hartung-Knapp interval: Knapp & Hartung 2003, Stat. Med. 22:2693; Röver, Knapp & Friede 2015, BMC Med. Res. "
    "Methodol. 15:99",
    "McNemar's test, mid-p and exact: Fagerland, Lydersen & Laake 2013, BMC Med. Res. Methodol. 13:91; score interval "
    "of Tango 1998, Stat. Med. 17:891; adjustment of Holm 1979, Scand. J. Stat. 6:65",
    "Student's t on household means, and its prediction interval: Student 1908, Biometrika 6:1",
)
