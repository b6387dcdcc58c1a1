"""What is the matter with the readings themselves, before any judgement: found and shown, never repaired.

Pure functions from what was sent to frozen dataclasses, as in `expect` and `verify`. No database, no clock.
"""

LOOK = 3
"""Raised with every change of what is found; a kept result of an earlier one is made anew."""
