"""A bore, stroke, pressure or frequency not tried."""
