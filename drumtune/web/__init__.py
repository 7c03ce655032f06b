"""The live page: served on this machine, listening through the browser's microphone, guiding and speaking."""
