"""The watch: the daemon that looks after a camera's folder for days, whatever goes wrong around it."""
