"""Two sessions at the same minutes, side by side: one sun, seen from two places, turned."""
