"""Judgement: the sky from the units themselves, ratios, one file per cause, the verdict.

Pure functions from arrays and frozen dataclasses. No SQL, no clock, no HTTP, no settings.
"""

JUDGEMENT = 35
"""Raised with every change after which the same readings may be judged otherwise: what is kept is then made anew."""
