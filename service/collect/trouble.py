"""What hinders the collector and passes once somebody, or time, has mended it."""

from __future__ import annotations


class Trouble(Exception):  # noqa: N818 - a state of the world, not a fault of the program
    """One sentence or two: what hinders, and what to do."""
