"""A fault to show to others: one file with the window around it, and nothing that gives away."""
