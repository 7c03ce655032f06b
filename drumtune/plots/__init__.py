"""Pictures: Axes in, artists out. Draws what was computed elsewhere."""
