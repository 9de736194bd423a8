"""Figures: a finished result in, Axes out. The only place that imports matplotlib."""
