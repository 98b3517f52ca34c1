"""The way of one frame, from the folder to an alert: intake, measure, forecast, judge, notify."""
