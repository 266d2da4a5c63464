"""Loading: from a log file to a Ride of scaled columns."""
