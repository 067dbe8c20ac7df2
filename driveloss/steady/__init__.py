"""From a recorder's log to steady readings."""
