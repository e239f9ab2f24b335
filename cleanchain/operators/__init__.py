"""Linear operators that stream a driver and its passengers in lockstep."""
