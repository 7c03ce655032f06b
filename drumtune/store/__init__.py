"""The log: one SQLite file that keeps drums, takes, readings, plans, turns made and saved settings.

Every change is one transaction in write-ahead mode, flushed to the disk before it counts as made. Reading never
writes. The tables are described in docs/data.md.
"""

from drumtune.store.file import LogError, default_path, opened

__all__ = ["LogError", "default_path", "opened"]
