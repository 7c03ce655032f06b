"""What heads, rods, air and rooms do: equations as small pure functions. Knows no recording."""
