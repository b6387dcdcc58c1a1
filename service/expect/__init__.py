"""Physics: sun, sky, plane of array, module, inverter -> expected energy per unit and interval.

Pure functions from arrays and frozen dataclasses. No SQL, no clock, no HTTP, no settings.
"""
