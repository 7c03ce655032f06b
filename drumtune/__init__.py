"""drumtune: hears taps on a drum head and says which rods to turn, from the physics of the head.

Data runs one way: recording -> taps -> partials -> reading -> plan -> what the player sees.
Everything inside is in SI units; units stand in names only at the doors (options, JSON keys, columns).
"""

__version__ = "0.1.0"
