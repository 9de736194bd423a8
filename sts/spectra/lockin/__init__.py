"""The lock-in channel: compared with the derivative of the current, calibrated by it, chosen before it, or alone."""
