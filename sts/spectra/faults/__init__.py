"""What a single I(V) sweep shows that is not the sample: jumps, transients at its start, ripple, limits of the electronics."""
