"""What a lesson teaches: chapters of text, figures, sounds and one question each, from one drum and one seed."""
