"""A session made ready to hand to anybody: everything, or as little of the place as can be."""
