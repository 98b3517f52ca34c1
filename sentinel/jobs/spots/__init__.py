"""Dark blobs on the disc over a session: which are on the sun, and which on the sensor."""
