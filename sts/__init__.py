"""Analysis of scanning tunnelling spectroscopy sweeps."""
