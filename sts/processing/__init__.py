"""From I(V) arrays to spectra: judge, offset, average, smooth, normalise. Numbers in, numbers out."""
