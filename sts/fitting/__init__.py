"""Models fitted to sweeps and spectra: barriers, gaps, line shapes."""
