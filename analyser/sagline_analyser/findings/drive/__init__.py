"""What the drive was asked for and what held it back; settings in force; left and right."""
