"""Loss curves: terms, the two families, resampling, the saved calibration."""

FAMILIES = ("physical", "polynomial")
DRAWS = 2000
SEED = 20  # any fixed number: the same bench gives the same digits again
