"""A drill before the trip: a camera that is not there, a watch that is, and something that goes wrong."""
