"""The cells of a pack: what each resists and holds, what a low or a high one means."""
