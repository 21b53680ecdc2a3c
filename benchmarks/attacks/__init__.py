"""Attacks on what the package promises to keep: ``python -m benchmarks.attacks --all``."""
