"""Yieldproof: proof, module by module, that a rooftop array makes what it should."""

__version__ = "0.1.0"
