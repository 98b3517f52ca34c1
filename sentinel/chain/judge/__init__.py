"""Measurements, forecasts, ticks and marks -> incidents: what a sleeping person would want to be told."""
