"""Pages for people: reports and lessons as HTML and PDF, from values and figures that were made before."""
