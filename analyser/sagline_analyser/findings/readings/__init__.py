"""What the samples say, gaps and packs kept apart: every answer reads these."""
