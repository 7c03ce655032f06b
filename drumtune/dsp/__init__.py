"""What a recording contains: taps, lines, decays. Knows no drum."""
