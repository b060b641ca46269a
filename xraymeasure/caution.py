"""The one sentence of caution that every page, table and window carries."""

CAUTION = (
    "For research, teaching and audit. Not a medical device. It does not replace a calibrated "
    "clinical system or the judgement of the treating clinician. Local imaging and radiation "
    "protocols rule."
)
