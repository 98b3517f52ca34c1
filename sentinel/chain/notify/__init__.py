"""Wording, grouping, repeats and delivery of what people are told."""
