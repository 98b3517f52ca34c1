"""Before the trip: what the sun will do, what falls due when, and how good the polar alignment must be."""
