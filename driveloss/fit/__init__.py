"""Loss curves: terms, the two families, resampling, the saved calibration."""
