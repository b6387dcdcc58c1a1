"""Judgement: the sky from the units themselves, ratios, one file per cause, the verdict.

Pure functions from arrays and frozen dataclasses. No SQL, no clock, no HTTP, no settings.
"""
