"""What runs for days beside the camera: the watch, its journal, the delivery of alerts, the status page."""
