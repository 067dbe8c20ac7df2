"""Pure functions of floats and arrays, in SI units: no input or output, no classes."""
