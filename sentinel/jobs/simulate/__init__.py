"""A world with known truth: scenarios, the sun's track through a lens, rendered frames."""
