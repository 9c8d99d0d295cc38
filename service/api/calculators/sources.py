"""What the calculators rest on, each cited once."""

ICUMSA = "Bubník, Kadlec, Urban & Bruhns 1995, Sugar Technologists Manual, p. 164 (ICUMSA sucrose density)"
BALLING = "Balling 1865: 2.0665 g of extract give 1 g of ethanol, 0.9565 g of carbon dioxide and 0.11 g of yeast"
CUTAIA = "Cutaia, Reid & Speers 2009, J. Inst. Brew. 115(4):318 (spread of the attenuation coefficient)"
GUM = "JCGM 100:2008 (GUM), first-order propagation of uncertainty"
GLASS = "ISO 1768:1975 (expansion of hydrometer glass)"
OIML_R22 = "OIML R 22 (1975), International alcoholometric tables; Council Directive 76/766/EEC, annex"
PROOF = "27 CFR 30.11 (US proof)"

BINOMIAL = "ISO 4120 (triangle), ISO 10399 (duo-trio), ISO 5495 (paired comparison): exact binomial tail"
THURSTONE = "Ennis 1993, J. Sens. Stud. 8:353: Thurstonian psychometric functions"
CLOPPER_PEARSON = "Clopper & Pearson 1934, Biometrika 26:404: exact interval"
ANY_TIME = "Ville 1939; Ramdas, Grünwald, Vovk & Shafer 2023, Stat. Sci. 38:576: evidence valid at any time"

COMMON_PRACTICE = "common practice, no source"
