"""From recordings and physics to readings, plans and suggestions. Pure: no file, clock, plot or terminal."""
