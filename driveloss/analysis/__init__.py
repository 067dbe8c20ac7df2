"""Questions asked of a calibration."""
