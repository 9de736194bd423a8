"""Benchmarks: each module here has `TITLE`, `BOUNDS` and `run(quick)`; ``scripts/benchmark.py`` runs them all."""
