"""How an answer is told: its words, figures, urgency and picture, and how sure it is."""
