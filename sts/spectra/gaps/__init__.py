"""Gaps of a spectrum: the floor, where the bands begin, dips without a floor, each with its uncertainty."""
