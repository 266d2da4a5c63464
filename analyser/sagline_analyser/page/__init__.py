"""Pages: from a Ride and its findings to one HTML file."""
