"""Pure functions of floats and arrays of any shapes that broadcast, in SI units: no input or output, no classes."""
