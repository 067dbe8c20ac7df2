"""Which readings to take."""

ORDERS = {"up-down": "up and down, so that a drift shows", "random": "in random order, so that a drift averages out"}
