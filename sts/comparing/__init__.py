"""From sweeps to sites, tips and groups of tips."""
