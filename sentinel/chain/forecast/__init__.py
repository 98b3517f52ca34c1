"""Until when the camera may be left alone: the mount is fitted to the track and carried into the future."""
